// The course of a night: what the reference, the sources and the people did from opening to end.
//
// For plots and a record of the night; the numbers of the plateaus are in results.hpp. Units: times in seconds of the
// run, temperatures t90 in °C, differences in kelvin.
// Errors: of reading the file, those of journal/reader.hpp; damaged (a record lacks what docs/journal.md says it has).
#pragma once

#include <cstddef>
#include <filesystem>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "journal/reader.hpp"
#include "nightwell/result.hpp"
#include "results/results.hpp"
#include "results/series.hpp"
#include "results/sweep.hpp"

namespace nightwell::results {

// A source was told a target, with its output on or off; or was parked (then `output` is false).
struct SourceStep {
  double at_s = 0;
  std::string source;
  double target_c = 0;
  bool output = false;
};

struct PhaseChange {
  double at_s = 0;
  std::string phase;
  std::optional<std::size_t> plateau;
  std::optional<double> setpoint_c;
  std::string why;
};

// Anything that somebody who reviews the night has to see: kinds person, ask, fault, guard, park, left_out, failure,
// note.
struct Event {
  double at_s = 0;
  std::string kind;
  std::string text;
};

struct SettleRule {
  double window_s = 0, largest_drift_k = 0, largest_spread_k = 0;
  std::optional<double> item_drift_k;
};

struct CapturePlan {
  std::string placement;  // after, inside
  std::string order;      // straight, mirrored, bracketed
  std::size_t sweeps = 0;
  double pause_s = 0;
};

// How long a phase may take, and what then: park, stop, skip, capture.
struct Limit {
  double within_s = 0;
  std::string otherwise;
};

// The settle window as it was when the plateau closed, and the reference's readings in it.
struct SettleWindow {
  double from_s = 0, to_s = 0;
  double mean_c = 0;
  double drift_k = 0;  // slope of the least-squares line x the rule's window
  double spread_k = 0;
  std::vector<Point> points;
};

struct PlateauCourse {
  std::size_t index = 0;
  double setpoint_c = 0;
  std::string source;
  double band_k = 0;
  SettleRule settle;
  CapturePlan capture;
  Limit approach_limit, settle_limit, capture_limit;
  std::optional<double> closed_s;
  std::optional<SettleWindow> window;  // nothing where the plateau closed without one
};

// What an instrument answered when it was asked who it is.
struct Identity {
  std::string instrument, text;
};

struct Course {
  std::vector<Point> reference;  // a point a sweep, the mean of the references; decimated to most_points
  std::vector<SourceStep> steps;
  std::vector<PhaseChange> phases;
  std::vector<PlateauCourse> plateaus;  // all that were planned, in the order of the plan
  std::vector<Event> events;
  std::vector<Identity> identities;
  Orders orders;                                           // visits of each kind of sweep
  std::vector<std::pair<std::string, std::string>> files;  // of the plan: name, SHA-256
  double end_s = 0;                                        // of the last record
};

inline constexpr std::size_t most_points = 4000;

// At most `most` points (4 or more) in the same order: the first, the last, and of each of equal spans of time the
// lowest and the highest, so that no extreme is lost. All of them where they are no more than that. `points` are in
// order of time.
[[nodiscard]] std::vector<Point> decimated(const std::vector<Point>& points, std::size_t most);

// `results` are those of the same journal; records behind the ones that they rest on are not looked at, so that a
// journal which grows meanwhile gives one picture.
Result<Course> course(const std::filesystem::path& path, const Results& results);
Result<Course> course(std::span<const journal::Record> records, const Results& results);

}  // namespace nightwell::results

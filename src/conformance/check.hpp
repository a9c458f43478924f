// The conformance run: a fixed list of cases that stands between a new driver and a hot furnace (docs/conformance.md).
//
// The driver talks to a port of ours with a faulty line behind it (faulty_line.hpp). Of each spoiled reply is asked:
//   - no wrong value is ever given as a value: a typed error, or what the instrument says unspoiled before and after;
//   - the call ends in time: within bound_for(its settings), which lies above what line_instrument.hpp states for one fault;
//   - the next calls work again: at the latest the third, with identify() before each as the guardian does.
// Of a heat source besides: a setting that says "done" is read back so; a heat command is sent once; "off" goes out
// whatever the line does; what is beyond the limits is refused before a byte is sent; after a park nothing is sent but
// questions.
//
// Heat: with `careful` nothing is set. Otherwise targets are whole degrees nearest to the source's own temperature and one
// degree from there, within [lowest_c, highest_c], and the output is on for a second at a time. What must be true
// before the first setting is the business of `before_heat` (the command arms a guardian there, docs/decisions/0019); an error
// of it skips all that heats. Every run of a heat source ends with "off", read back.
//
// Deadlines are real time. One thread of the caller's, and the faulty line's. Nothing throws.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <vector>

#include "conformance/findings.hpp"
#include "instrument/registry.hpp"

namespace nightwell::conformance {

struct Wishes {
  bool careful = false;
  double lowest_c = 0, highest_c = 0;  // of targets; only where not careful
  // What the driver itself must refuse, where it knows limits (a dialect's).
  std::optional<double> driver_lowest_c, driver_highest_c;
  // A target that the driver sends and the instrument must refuse; and a channel that it does not have.
  std::optional<double> refused_c;
  std::optional<int> missing_address;
  std::vector<instrument::ChannelSetup> channels;  // of a scanner: at least one, two for all cases
  std::function<void()> refuse_next;               // a mirror refuses its next command; empty: it cannot be asked to
  std::function<bool()> stopped;                   // a person wants to leave; asked often
  std::function<void()> alive;  // called at least ten times a second while a call of the driver goes on
  // The targets that will be set are at most `highest_c`; `safe_c` is the lowest of them.
  std::function<Result<void>(double safe_c)> before_heat;
  std::function<void(const Outcome&)> told;  // each outcome as it comes
};

// What a call of this driver may take: 6 x the deadline of a reply + 2 s, where a dialect states longer deadlines 6 x its longest,
// and where a reading of it is waited for 3 x that wait besides; a driver program, what it is told and killed after, 8 x and
// 5 s (docs/driver-programs.md).
[[nodiscard]] Duration bound_for(const instrument::ConnectionSettings& settings);

// `settings.port` is not used; `settings.reply` must be above zero. Never an error: what cannot be done is an outcome.
[[nodiscard]] Findings check_scanner(const instrument::Registry::MakeScanner& make,
                                     instrument::ConnectionSettings settings, FaultyLine& line, const Wishes& wishes);
[[nodiscard]] Findings check_source(const instrument::Registry::MakeHeatSource& make,
                                    instrument::ConnectionSettings settings, FaultyLine& line, const Wishes& wishes);

}  // namespace nightwell::conformance

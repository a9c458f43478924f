// Reads a journal's records one after the other, as far as results need them.
//
// Keeps the sweeps of plateaus that have not closed yet, and drops them once their numbers are worked out: a night of
// watching takes no memory.
#pragma once

#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "journal/reader.hpp"
#include "results/plateau.hpp"
#include "results/results.hpp"
#include "results/sweep.hpp"

namespace nightwell::results {

class Fields;

class Collector {
 public:
  // After the first error nothing more is taken.
  void take(const journal::Record& record);
  void take(const journal::SweepRecord& record);
  Result<Results> finish(const journal::Verification& verification) &&;

 private:
  struct Planned {
    double setpoint_c = 0;
    std::string source;
    double band_k = 0;
    bool inside = false;  // placement
    bool closed = false;
    std::map<std::uint64_t, std::vector<RawReading>> sweeps;  // by number
  };

  void take_opening(const Fields& fields);
  void take_card(const Fields& fields);
  void take_budget(const Fields& fields);
  void take_plateau_plan(const Fields& fields);
  void take_sweep(const journal::SweepRecord& record);
  void take_start(const journal::SweepRecord& record);
  void take_plateau(const Fields& fields);
  void take_left_out(const Fields& fields);
  void take_survey(const Fields& fields);
  void take_closing(const Fields& fields);
  void check_cards(const Fields& fields);

  std::optional<Error> error_;
  bool opened_ = false;
  Results out_;
  std::set<std::size_t> cards_;
  Orders orders_;
  std::map<std::size_t, Planned> planned_;
  std::optional<double> start_c_;  // the reference before the first plateau
};

}  // namespace nightwell::results

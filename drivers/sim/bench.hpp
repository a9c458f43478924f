// The simulated bench: the world, its instruments and their lines, run as a sequence of events in simulated
// time.
//
// Everything that is due by itself (a reading, the begin or end of a fault) happens at its own simulated time
// and in that order, before bytes that arrived later are looked at, however late the process woke up. So a
// slow machine delays replies but does not bend what they say.
#pragma once

#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "drivers/sim/command_log.hpp"
#include "drivers/sim/config.hpp"
#include "drivers/sim/instrument.hpp"
#include "drivers/sim/line_end.hpp"
#include "drivers/sim/manner.hpp"
#include "drivers/sim/respondent.hpp"
#include "drivers/sim/world.hpp"

namespace nightwell::sim {

class Bench {
 public:
  // `log_folder` empty: no logs. Errors of open(): those of the lines, and storage.
  Bench(Config config, std::uint64_t seed, std::filesystem::path log_folder);
  Result<void> open();

  // The next simulated time at which something is due by itself.
  [[nodiscard]] std::optional<double> due_s() const;
  // The next wall time, in seconds of the monotonic clock, at which a held-back reply must leave.
  [[nodiscard]] std::optional<double> due_wall_s() const;
  // Everything that is due up to `now_s`, then everything that the lines have. `wall_s` is the monotonic
  // clock.
  void run(double now_s, double wall_s);
  [[nodiscard]] std::vector<Watch> watches() const;

  // Orders a fault. Errors: bad_input.
  Result<void> order(const FaultOrder& fault);
  // True temperatures and states, as a line of JSON: what a test may compare with.
  [[nodiscard]] std::string truth_now(double now_s);

 private:
  struct Held {
    double until_wall_s = 0;
    Outgoing out;
  };
  struct Wired {
    std::unique_ptr<LineEnd> line;
    std::unique_ptr<Respondent> station;
    std::unique_ptr<CommandLog> log;
    std::vector<Held> held;  // replies on their way, in order
  };
  void wire(const std::string& name, const InstrumentPort& port, std::unique_ptr<Manner> manner,
            std::unique_ptr<Instrument> instrument, std::uint64_t seed);
  void wire_replay(const ReplayConfig& replay);
  void run_due(double now_s, double wall_s);
  void run_lines(double now_s, double wall_s);
  void begin_due_faults(double now_s);
  static void follow_unplug(Wired& wired);
  // Replies that nobody gets any more; what else is to come (the plug) comes.
  static void drop_replies(Wired& wired);
  static void deliver(Wired& wired, double wall_s);

  Config config_;
  World world_;
  std::filesystem::path log_folder_;
  std::vector<Wired> wired_;
  std::vector<FaultOrder> orders_;  // still to come
};

}  // namespace nightwell::sim

// nightwell-simbench: a bench that is not there. Opens the ports that a configuration names and answers on
// them as scanners and heat sources would, with a night's physics behind them (docs/simulated-bench.md).
//
// Exit: 0 after SIGTERM or SIGINT, 1 where a port or a file could not be opened, 2 where the configuration or an
// option is wrong, 3 after a programming error.
#include <poll.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cerrno>
#include <chrono>
#include <cmath>
#include <csignal>
#include <cstdint>
#include <cstdio>
#include <exception>
#include <nlohmann/json.hpp>

#include "drivers/sim/bench.hpp"
#include "drivers/sim/control.hpp"
#include "journal/standard_descriptors.hpp"

namespace {

using namespace nightwell;

volatile std::sig_atomic_t stop_asked = 0;
void ask_stop(int) {
  stop_asked = 1;
}

struct Options {
  std::string config, log, control;
  double speed = 1;
  std::uint64_t seed = 1;
};

// Simulated time: monotonic time since the bench was ready, times the speed.
class SimulatedClock {
 public:
  explicit SimulatedClock(double speed) : speed_(speed), ready_wall_s_(wall_s()) {}
  [[nodiscard]] static double wall_s() {
    return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
  }
  [[nodiscard]] double at(double wall_s) const { return (wall_s - ready_wall_s_) * speed_; }
  [[nodiscard]] double wall_at(double simulated_s) const { return ready_wall_s_ + simulated_s / speed_; }

 private:
  double speed_, ready_wall_s_;
};

// SIGTERM and SIGINT arrive only while the loop waits, so none is missed between a check and the wait.
sigset_t arrange_signals() {
  struct sigaction action {};
  action.sa_handler = ask_stop;
  sigaction(SIGTERM, &action, nullptr);
  sigaction(SIGINT, &action, nullptr);
  action.sa_handler = SIG_IGN;
  sigaction(SIGPIPE, &action, nullptr);
  sigset_t blocked, before;
  sigemptyset(&blocked);
  sigaddset(&blocked, SIGTERM);
  sigaddset(&blocked, SIGINT);
  sigprocmask(SIG_BLOCK, &blocked, &before);
  sigdelset(&before, SIGTERM);
  sigdelset(&before, SIGINT);
  return before;
}

std::string answer_control(const std::string& line, sim::Bench& bench, double now_s) {
  const auto asked = nlohmann::json::parse(line, nullptr, false);
  if (asked.is_object() && asked.size() == 1 && asked.value("ask", nlohmann::json()) == "truth")
    return bench.truth_now(now_s);
  const auto refuse = [](const Error& error) {
    return nlohmann::json{{"ok", false}, {"error", sim::printable(error.text())}}.dump();
  };
  const auto order = sim::parse_fault(line);
  if (!order) return refuse(order.error());
  if (const auto ordered = bench.order(*order); !ordered) return refuse(ordered.error());
  return nlohmann::json{{"ok", true}, {"now_s", now_s}}.dump();
}

// Sleeps until something is due or some line has something.
void wait(const sim::Bench& bench, const sim::Control& control, const SimulatedClock& clock, const sigset_t& open) {
  std::vector<pollfd> fds;
  for (const auto& watches : {bench.watches(), control.watches()})
    for (const sim::Watch& watch : watches) fds.push_back({watch.fd, watch.events, 0});
  double wait_s = 3600;
  const double wall_s = SimulatedClock::wall_s();
  if (const auto due = bench.due_s()) wait_s = std::min(wait_s, clock.wall_at(*due) - wall_s);
  if (const auto due = bench.due_wall_s()) wait_s = std::min(wait_s, *due - wall_s);
  wait_s = std::max(wait_s, 0.0);
  timespec timeout{};
  timeout.tv_sec = static_cast<std::time_t>(wait_s);
  timeout.tv_nsec = static_cast<long>((wait_s - std::floor(wait_s)) * 1e9);
  ppoll(fds.data(), fds.size(), &timeout, &open);
}

int complain(const Error& error, int code) {
  std::fprintf(stderr, "nightwell-simbench: %s\n", sim::printable(error.text()).c_str());
  return code;
}

int run(const Options& options) {
  auto config = sim::load_config(options.config);
  if (!config) return complain(config.error(), 2);
  const sigset_t open = arrange_signals();
  sim::Bench bench(std::move(config.value()), options.seed, options.log);
  if (auto opened = bench.open(); !opened) return complain(opened.error(), 1);
  sim::Control control;
  if (!options.control.empty())
    if (auto opened = control.open(options.control); !opened) return complain(opened.error(), 1);
  const SimulatedClock clock(options.speed);
  std::puts("ready");
  std::fflush(stdout);
  while (stop_asked == 0) {
    double wall_s = SimulatedClock::wall_s();
    bench.run(clock.at(wall_s), wall_s);
    control.run([&](const std::string& line) { return answer_control(line, bench, clock.at(wall_s)); });
    wait(bench, control, clock, open);
  }
  return 0;
}

int parse_and_run(int argc, char** argv) {
  Options options;
  CLI::App app{"A simulated bench: scanners and heat sources on pseudo-terminals and TCP"};
  app.set_version_flag("--version", NIGHTWELL_VERSION);
  app.add_option("config", options.config, "the bench, JSON (nightwell-sim/1)")->required();
  app.add_option("--speed", options.speed, "simulated seconds a second")->check(CLI::Range(0.001, 100000.0));
  app.add_option("--seed", options.seed, "of all noise");
  app.add_option("--log", options.log, "folder for the command logs and truth.json");
  app.add_option("--control", options.control, "Unix socket on which faults may be ordered");
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    return app.exit(error) == 0 ? 0 : 2;
  }
  return run(options);
}

}  // namespace

// Only a programming error or a lack of memory throws this far.
int main(int argc, char** argv) {
  open_standard_descriptors();
  try {
    return parse_and_run(argc, argv);
  } catch (const std::exception& error) {
    std::fprintf(stderr, "nightwell-simbench: %s\n", error.what());
  } catch (...) {
    std::fputs("nightwell-simbench: an unknown exception\n", stderr);
  }
  return 3;
}

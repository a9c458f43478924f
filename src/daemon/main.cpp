// nightwelld: runs the benches. In the foreground, or under a service manager.
#include <spdlog/sinks/stdout_sinks.h>
#include <spdlog/spdlog.h>
#include <sys/resource.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <asio/io_context.hpp>
#include <asio/signal_set.hpp>
#include <csignal>
#include <cstdio>

#include "daemon/control_server.hpp"
#include "daemon/daemon.hpp"
#include "journal/safe_log.hpp"
#include "journal/standard_descriptors.hpp"
#include "nightwell/folders.hpp"

namespace {

namespace fs = std::filesystem;
using namespace nightwell;

constexpr int exit_done = 0, exit_bad_input = 2, exit_refused = 3;

struct Options {
  std::string runtime, state, guardian, second, seal_key, hooks;
  double speed = 1;
};

// The guardian stands beside the daemon unless told otherwise.
fs::path guardian_beside_us() {
  std::error_code error;
  const fs::path self = fs::read_symlink("/proc/self/exe", error);
  return self.parent_path() / "nightwell-guardian";
}

// Ports, journals and followers need more files than the usual soft limit gives.
void raise_file_limit() {
  rlimit limit{};
  if (getrlimit(RLIMIT_NOFILE, &limit) != 0) return;
  limit.rlim_cur = limit.rlim_max;
  setrlimit(RLIMIT_NOFILE, &limit);
}

int complain(const Error& error, int code) {
  std::fprintf(stderr, "nightwelld: %s\n", error.text().c_str());
  return code;
}

// What journals are sealed with, and where their second copies go: checked before anything starts.
Result<void> read_evidence_settings(const Options& options, daemon::DaemonSettings& settings) {
  if (!options.second.empty()) {
    const fs::path second = fs::absolute(options.second);
    if (access(second.c_str(), W_OK | X_OK) != 0 || !fs::is_directory(second))
      return Error{Errc::bad_input, "looking for the second folder",
                   "no folder to write to: make it, or mount what should be there", second.string()};
    settings.second_folder = second;
  }
  if (!options.seal_key.empty()) {
    auto key = journal::SigningKey::read(options.seal_key);
    if (!key) return key.error();
    settings.key = std::make_shared<const journal::SigningKey>(std::move(key).value());
  }
  return {};
}

// False: the file, or a program that it names, will not do; every fault is said.
bool read_hooks_file(const Options& options, daemon::DaemonSettings& settings) {
  if (options.hooks.empty()) return true;
  const auto read = daemon::read_hooks(plan::gather_one(options.hooks));
  const auto* hooks = std::get_if<std::vector<daemon::Hook>>(&read);
  const auto faults = hooks ? daemon::program_faults(options.hooks, *hooks) : std::get<std::vector<plan::Fault>>(read);
  for (const auto& fault : faults) std::fprintf(stderr, "nightwelld: %s\n", plan::text(fault).c_str());
  if (hooks) settings.hooks = *hooks;
  return faults.empty();
}

int serve(const Options& options) {
  const auto state = state_folder(options.state, process_environment(), getuid());
  if (!state) return complain(state.error(), exit_bad_input);
  const fs::path runtime = runtime_folder(options.runtime, process_environment(), getuid());
  const fs::path guardian = options.guardian.empty() ? guardian_beside_us() : fs::path(options.guardian);
  if (access(guardian.c_str(), X_OK) != 0)
    return complain({Errc::not_found, "looking for the guardian", "not there or not executable: give --guardian",
                     guardian.string()},
                    exit_bad_input);

  daemon::DaemonSettings settings;
  settings.guardian = guardian;
  settings.speed = options.speed;
  if (auto read = read_evidence_settings(options, settings); !read) return complain(read.error(), exit_bad_input);
  if (!read_hooks_file(options, settings)) return exit_bad_input;

  asio::io_context io(1);
  auto store = daemon::RunStore::open(*state, settings.second_folder);
  if (!store) return complain(store.error(), store.error().code == Errc::refused ? exit_refused : exit_bad_input);
  daemon::Daemon the_daemon(io, std::move(store).value(), std::move(settings));
  daemon::ControlServer server(io, [&](const nlohmann::ordered_json& request, const std::string& who,
                                       const daemon::Daemon::Reply& reply) { the_daemon.answer(request, who, reply); });
  if (auto opened = server.open(control_socket(runtime)); !opened)
    return complain(opened.error(), opened.error().code == Errc::refused ? exit_refused : exit_bad_input);

  asio::signal_set signals(io, SIGTERM, SIGINT, SIGHUP);
  signals.async_wait([&](const asio::error_code& error, int number) {
    if (error) return;
    spdlog::warn("signal {}: parking every open run, then ending", number);
    server.close();
    the_daemon.shut_down("the daemon was asked to end", [&] { io.stop(); });
  });

  if (options.speed != 1)
    spdlog::warn("the runs' clock goes {} times as fast as real time: for simulated benches only", options.speed);
  spdlog::info("nightwelld {} serves {}, state folder {}", NIGHTWELL_VERSION, control_socket(runtime).string(),
               state->string());
  the_daemon.report_unclosed();
  io.run();
  spdlog::info("ended");
  return exit_done;
}

}  // namespace

int main(int argc, char** argv) {
  open_standard_descriptors();
  CLI::App app{
      "nightwelld: runs temperature calibrations through the night.\n"
      "Every unattended heater needs its own independent hardware over-temperature cut-out; this program is none."};
  Options options;
  app.add_option("--runtime", options.runtime, "folder of the control socket");
  app.add_option("--state", options.state, "folder of runs and journals");
  app.add_option("--guardian", options.guardian, "the guardian's program (default: beside this one)");
  app.add_option(
      "--second", options.second,
      "folder on another disk: a second copy of each journal, and where a journal goes on if its disk fails");
  app.add_option("--seal-key", options.seal_key,
                 "private key that journals are sealed with (see `nightwell keys make`)");
  app.add_option("--hooks", options.hooks, "file that says which programs are told of what (see docs/hooks.md)");
  app.add_option("--speed", options.speed, "clock of the runs, times real time; for simulated benches only")
      ->check(CLI::Range(0.1, 100000.0));
  app.set_version_flag("--version", NIGHTWELL_VERSION);
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    return app.exit(error) == 0 ? exit_done : exit_bad_input;
  }

  std::signal(SIGPIPE, SIG_IGN);
  std::signal(SIGXFSZ, SIG_IGN);  // a file limit is an error to report, not an end
  raise_file_limit();
  spdlog::set_default_logger(spdlog::stderr_logger_st("nightwelld"));
  spdlog::set_formatter(journal::safe_log_format());
  spdlog::flush_on(spdlog::level::info);
  return serve(options);
}

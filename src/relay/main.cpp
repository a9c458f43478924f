// nightwell-relay: serves the journals of a daemon, read-only, to followers that its allow-list names. In the foreground, or under a
// service manager.
#include <spdlog/sinks/stdout_sinks.h>
#include <spdlog/spdlog.h>

#include <CLI/CLI.hpp>
#include <csignal>
#include <cstdio>

#include "journal/safe_log.hpp"
#include "journal/standard_descriptors.hpp"
#include "relay/config.hpp"
#include "relay/serve.hpp"

namespace {

using namespace nightwell;

constexpr int exit_done = 0, exit_bad_input = 2, exit_refused = 3;

}  // namespace

int main(int argc, char** argv) {
  open_standard_descriptors();
  CLI::App app{
      "nightwell-relay: serves the journals of a daemon, read-only, over TLS to followers with certificates.\n"
      "It starts, stops and changes nothing: it only reads the runs folder."};
  std::string path;
  app.add_option("config", path, "its configuration, a JSON file (see docs/relay.md)")->required();
  app.set_version_flag("--version", NIGHTWELL_VERSION);
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    return app.exit(error) == 0 ? exit_done : exit_bad_input;
  }

  std::signal(SIGPIPE, SIG_IGN);
  spdlog::set_default_logger(spdlog::stderr_logger_st("nightwell-relay"));
  spdlog::set_formatter(journal::safe_log_format());
  spdlog::flush_on(spdlog::level::info);
  const auto config = relay::read_config(plan::gather_one(path));
  if (const auto* faults = std::get_if<std::vector<plan::Fault>>(&config)) {
    for (const auto& fault : *faults) std::fprintf(stderr, "nightwell-relay: %s\n", plan::text(fault).c_str());
    return exit_bad_input;
  }
  const auto served = relay::serve(std::get<relay::Config>(config));
  if (served) return exit_done;
  std::fprintf(stderr, "nightwell-relay: %s\n", served.error().text().c_str());
  return served.error().code == Errc::refused || served.error().code == Errc::unexpected ? exit_refused
                                                                                         : exit_bad_input;
}

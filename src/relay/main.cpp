// nightwell-relay: serves the journals of a daemon, read-only, to followers that its allow-list names. In the foreground, or under a
// service manager.
#include <spdlog/sinks/stdout_sinks.h>
#include <spdlog/spdlog.h>
#include <sys/resource.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <asio/io_context.hpp>
#include <asio/signal_set.hpp>
#include <csignal>
#include <cstdio>
#include <memory>

#include "journal/safe_log.hpp"
#include "relay/config.hpp"
#include "relay/growth.hpp"
#include "relay/relay.hpp"
#include "relay/sandbox.hpp"
#include "relay/status_page.hpp"
#include "relay/tls_listener.hpp"
#include "remote/protocol.hpp"

namespace {

using namespace nightwell;

constexpr int exit_done = 0, exit_bad_input = 2, exit_refused = 3;

int complain(const Error& error) {
  std::fprintf(stderr, "nightwell-relay: %s\n", error.text().c_str());
  return error.code == Errc::refused || error.code == Errc::unexpected ? exit_refused : exit_bad_input;
}

// A socket and a journal for each follower, one more file while a place is looked for, the handshakes, and some in reserve: with
// these there, accepting never takes the descriptor that a follower needs.
Result<void> reserve_files(const relay::Config& config) {
  constexpr rlim_t reserve = 64 + relay::StatusPage::most_connections;
  const rlim_t needed = 2 * static_cast<rlim_t>(config.followers) + 2 * relay::TlsListener::most_waiting + reserve;
  rlimit limit{};
  if (getrlimit(RLIMIT_NOFILE, &limit) != 0) return {};
  limit.rlim_cur = limit.rlim_max;
  setrlimit(RLIMIT_NOFILE, &limit);
  if (limit.rlim_cur >= needed) return {};
  return Error{Errc::bad_input, "reserving files for " + std::to_string(config.followers) + " followers",
               "the system gives " + std::to_string(limit.rlim_cur) + " where " + std::to_string(needed) +
                   " are needed: raise the limit (LimitNOFILE=), or lower \"followers\"",
               ""};
}

// The status page, on a listener of its own.
struct Page {
  Page(asio::io_context& io, asio::ssl::context tls, const relay::Config& config, const relay::PageConfig& page,
       relay::StatusPage::Figures figures)
      : context(std::move(tls)),
        listener(io, context, config.allow, counters,
                 {page.listen, "page", relay::StatusPage::most_connections, config.stalled}),
        status(io, config.state / "runs", std::move(figures)) {}

  void start(asio::io_context& io) {
    status.start(io);
    listener.start([this](std::shared_ptr<relay::Connection> one) { return status.serve(std::move(one)); });
  }
  void stop() {
    status.stop();
    listener.stop();
  }

  asio::ssl::context context;
  relay::Counters counters;
  relay::TlsListener listener;
  relay::StatusPage status;
};

relay::RelayFigures figures_of(const relay::Relay& the_relay, const relay::Counters& followers, const Page& page) {
  relay::RelayFigures out;
  out.followers = followers;
  out.page = page.counters;
  for (const auto& follower : the_relay.followers())
    out.lag_bytes[follower.name] = std::max(out.lag_bytes[follower.name], follower.bytes_behind);
  return out;
}

int serve(const relay::Config& config) {
  if (auto reserved = reserve_files(config); !reserved) return complain(reserved.error());
  const remote::Credentials credentials{config.certificate, config.key, config.authority};
  auto context = remote::server_context(credentials, remote::protocol_name);
  if (!context) return complain(context.error());

  relay::Counters counters;
  asio::io_context io(1);
  relay::TlsListener listener(io, *context, config.allow, counters,
                              {config.listen, "followers", static_cast<std::size_t>(config.followers), config.stalled});
  if (auto opened = listener.open(); !opened) return complain(opened.error());
  relay::Growth growth(io);
  if (!growth.open()) spdlog::warn("no inotify here: growing journals are looked at once a second");
  const auto runs = config.state / "runs";
  relay::Relay the_relay(io, runs, config.stalled, growth, counters, listener);
  std::unique_ptr<Page> page;
  if (config.page) {
    auto page_context = remote::server_context(credentials, "http/1.1");
    if (!page_context) return complain(page_context.error());
    relay::StatusPage::Figures figures;
    if (config.page->metrics) figures = [&] { return figures_of(the_relay, counters, *page); };
    page = std::make_unique<Page>(io, std::move(page_context).value(), config, *config.page, std::move(figures));
    if (auto opened = page->listener.open(); !opened) return complain(opened.error());
  }
  asio::signal_set signals(io, SIGTERM, SIGINT, SIGHUP);
  signals.async_wait([&](const asio::error_code& error, int number) {
    if (error) return;
    spdlog::info("signal {}: ending", number);
    listener.stop();
    growth.stop();
    if (page) page->stop();
  });

  spdlog::info("nightwell-relay {} listens on {}, serves {} to {} followers", NIGHTWELL_VERSION,
               relay::print(listener.address()), runs.string(), config.allow.size());
  if (page) spdlog::info("the status page is at https://{}/", relay::print(page->listener.address()));
  const auto lacking = relay::enter_sandbox(runs);
  if (!lacking) return complain(lacking.error());
  for (const auto& text : *lacking) spdlog::warn("{}", text);
  listener.start([&](std::shared_ptr<relay::Connection> connection) { return the_relay.serve(std::move(connection)); });
  growth.start(io);
  if (page) page->start(io);
  io.run();
  spdlog::info("ended");
  return exit_done;
}

}  // namespace

int main(int argc, char** argv) {
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
  return serve(std::get<relay::Config>(config));
}

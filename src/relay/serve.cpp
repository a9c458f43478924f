#include "relay/serve.hpp"

#include <spdlog/spdlog.h>
#include <sys/resource.h>

#include <algorithm>
#include <asio/io_context.hpp>
#include <asio/signal_set.hpp>
#include <csignal>
#include <memory>

#include "relay/growth.hpp"
#include "relay/relay.hpp"
#include "relay/sandbox.hpp"
#include "relay/status_page.hpp"
#include "relay/tls_listener.hpp"
#include "remote/protocol.hpp"

namespace nightwell::relay {

namespace {

// A socket and a journal for each follower, one more file while a place is looked for, the handshakes, and some in reserve: with
// these there, accepting never takes the descriptor that a follower needs.
Result<void> reserve_files(const Config& config) {
  constexpr rlim_t reserve = 64 + StatusPage::most_connections;
  const rlim_t needed = 2 * static_cast<rlim_t>(config.followers) + 2 * TlsListener::most_waiting + reserve;
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

// A crowd of followers must not take the processor from the daemon, the guardian and what they talk to: on a busy machine the relay
// comes last.
void give_way() {
  constexpr int lowered = 10;
  if (::getpriority(PRIO_PROCESS, 0) >= lowered) return;  // a service manager has done it, and may forbid the call
  if (::setpriority(PRIO_PROCESS, 0, lowered) != 0) spdlog::warn("the relay's priority could not be lowered");
}

// The status page, on a listener of its own.
struct Page {
  Page(asio::io_context& io, asio::ssl::context tls, const Config& config, const PageConfig& page,
       StatusPage::Figures figures)
      : context(std::move(tls)),
        listener(io, context, config.allow, counters,
                 {page.listen, "page", StatusPage::most_connections, StatusPage::most_connections, config.stalled}),
        status(io, config.state / "runs", std::move(figures)) {}

  void start(asio::io_context& io) {
    status.start(io);
    listener.start([this](std::shared_ptr<Connection> one) { return status.serve(std::move(one)); });
  }
  void stop() {
    status.stop();
    listener.stop();
  }

  asio::ssl::context context;
  Counters counters;
  TlsListener listener;
  StatusPage status;
};

RelayFigures figures_of(const Relay& relay, const Counters& followers, const Page& page) {
  RelayFigures out;
  out.followers = followers;
  out.page = page.counters;
  for (const auto& follower : relay.followers())
    out.lag_bytes[follower.name] = std::max(out.lag_bytes[follower.name], follower.bytes_behind);
  return out;
}

}  // namespace

Result<void> serve(const Config& config) {
  give_way();
  if (auto reserved = reserve_files(config); !reserved) return reserved.error();
  const remote::Credentials credentials{config.certificate, config.key, config.authority};
  auto context = remote::server_context(credentials, remote::protocol_name);
  if (!context) return context.error();

  Counters counters;
  asio::io_context io(1);
  const auto places = static_cast<std::size_t>(config.followers);
  TlsListener listener(io, *context, config.allow, counters,
                       {config.listen, "followers", places, (places + 1) / 2, config.stalled});
  if (auto opened = listener.open(); !opened) return opened.error();
  Growth growth(io);
  if (!growth.open()) spdlog::warn("no inotify here: growing journals are looked at once a second");
  const auto runs = config.state / "runs";
  Relay relay(io, runs, config.stalled, growth, counters, listener);
  std::unique_ptr<Page> page;
  if (config.page) {
    auto page_context = remote::server_context(credentials, "http/1.1");
    if (!page_context) return page_context.error();
    StatusPage::Figures figures;
    if (config.page->metrics) figures = [&] { return figures_of(relay, counters, *page); };
    page = std::make_unique<Page>(io, std::move(page_context).value(), config, *config.page, std::move(figures));
    if (auto opened = page->listener.open(); !opened) return opened.error();
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
               print(listener.address()), runs.string(), config.allow.size());
  if (page) spdlog::info("the status page is at https://{}/", print(page->listener.address()));
  const auto lacking = enter_sandbox(runs);
  if (!lacking) return lacking.error();
  for (const auto& text : *lacking) spdlog::warn("{}", text);
  listener.start([&](std::shared_ptr<Connection> connection) { return relay.serve(std::move(connection)); });
  growth.start(io);
  if (page) page->start(io);
  io.run();
  spdlog::info("ended");
  return {};
}

}  // namespace nightwell::relay

#include "relay/serve.hpp"

#include <spdlog/spdlog.h>
#include <sys/resource.h>

#include <asio/io_context.hpp>
#include <asio/signal_set.hpp>
#include <csignal>

#include "relay/growth.hpp"
#include "relay/relay.hpp"
#include "relay/sandbox.hpp"
#include "relay/tls_listener.hpp"
#include "remote/protocol.hpp"

namespace nightwell::relay {

namespace {

// A socket and a journal for each follower, one more file while a place is looked for, the handshakes, and some in reserve: with
// these there, accepting never takes the descriptor that a follower needs.
Result<void> reserve_files(const Config& config) {
  constexpr rlim_t reserve = 64;
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

}  // namespace

Result<void> serve(const Config& config) {
  if (auto reserved = reserve_files(config); !reserved) return reserved.error();
  auto context = remote::server_context({config.certificate, config.key, config.authority}, remote::protocol_name);
  if (!context) return context.error();

  Counters counters;
  asio::io_context io(1);
  TlsListener listener(io, *context, config.allow, counters,
                       {config.listen, "followers", static_cast<std::size_t>(config.followers), config.stalled});
  if (auto opened = listener.open(); !opened) return opened.error();
  Growth growth(io);
  if (!growth.open()) spdlog::warn("no inotify here: growing journals are looked at once a second");
  const auto runs = config.state / "runs";
  Relay relay(io, runs, config.stalled, growth, counters, listener);
  asio::signal_set signals(io, SIGTERM, SIGINT, SIGHUP);
  signals.async_wait([&](const asio::error_code& error, int number) {
    if (error) return;
    spdlog::info("signal {}: ending", number);
    listener.stop();
    growth.stop();
  });

  spdlog::info("nightwell-relay {} listens on {}, serves {} to {} followers", NIGHTWELL_VERSION,
               print(listener.address()), runs.string(), config.allow.size());
  const auto lacking = enter_sandbox(runs);
  if (!lacking) return lacking.error();
  for (const auto& text : *lacking) spdlog::warn("{}", text);
  listener.start([&](std::shared_ptr<Connection> connection) { return relay.serve(std::move(connection)); });
  growth.start(io);
  io.run();
  spdlog::info("ended");
  return {};
}

}  // namespace nightwell::relay

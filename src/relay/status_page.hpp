// Serves the status page and the metrics over HTTPS, to those on the allow-list, from the journals alone.
//
//   /            the benches, and the newest run
//   /run/ID      a run
//   /events      server-sent events (WHATWG HTML, "Server-sent events"): the parts of the page that have changed; ?run=ID for a run
//   /metrics     where the configuration has them
//   /page.css, /page.js
//
// What it holds to, whatever the other side does: a request is there within 10 s of its first byte, the first byte within 30 s (the
// first one's within 10 s), an answer is taken within 20 s; at most `most_streams` pages follow a run at once; a page that takes nothing
// for 20 s is dropped. Reading journals takes slices of a few milliseconds, with room between them for everybody else.
// One thread: that of the io_context.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <asio/steady_timer.hpp>
#include <functional>
#include <map>
#include <memory>
#include <set>
#include <string>
#include <string_view>
#include <vector>

#include "nightwell/result.hpp"
#include "relay/board.hpp"
#include "relay/http.hpp"
#include "relay/metrics.hpp"
#include "relay/page.hpp"
#include "relay/tls_listener.hpp"

namespace nightwell::relay {

class StatusPage {
 public:
  static constexpr std::size_t most_connections = 64, most_streams = 32;

  // What the relay has to say of itself; its page_streams and runs_unreadable are filled in here.
  using Figures = std::function<RelayFigures()>;

  // `figures`: nothing where there are no metrics.
  StatusPage(asio::io_context& io, std::filesystem::path runs_folder, Figures figures);

  void start(asio::io_context& io);
  void stop();

  // For TlsListener::start.
  asio::awaitable<void> serve(std::shared_ptr<Connection> connection);

 private:
  struct Stream;
  // The parts of a run's page as they were last made.
  struct Made {
    std::uint64_t changes = 0;
    bool silent = false, fresh = false;
    std::vector<Part> parts;
  };

  asio::awaitable<void> keep_up();
  asio::awaitable<bool> read_request(std::shared_ptr<Connection> connection, http::RequestParser& parser, bool first);
  asio::awaitable<bool> send(std::shared_ptr<Connection> connection, std::string_view bytes);
  asio::awaitable<void> stream(std::shared_ptr<Connection> connection, http::Request request);
  [[nodiscard]] http::Answer answer(const http::Request& request);
  [[nodiscard]] http::Answer page_of(const RunFeed* run, bool with_benches, const std::string& events);
  [[nodiscard]] http::Answer metrics(const http::Request& request);
  [[nodiscard]] const RunFeed* run_for(const Stream& stream);
  [[nodiscard]] Result<std::vector<Part>> parts_of(const RunFeed* run, bool with_benches);
  [[nodiscard]] bool has_gone(const Stream& stream);
  [[nodiscard]] std::string news_for(Stream& stream);
  [[nodiscard]] std::vector<RunView> bench_views() const;
  void wake_streams();

  asio::io_context& io_;
  Board board_;
  Figures figures_;
  asio::steady_timer tick_;
  bool stopped_ = false;
  std::set<Stream*> streams_;
  std::map<std::string, Made> made_;
  std::string style_tag_, script_tag_;  // ETags
};

}  // namespace nightwell::relay

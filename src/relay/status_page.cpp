#include "relay/status_page.hpp"

#include <fmt/chrono.h>
#include <spdlog/spdlog.h>

#include <algorithm>
#include <asio/buffer.hpp>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/redirect_error.hpp>
#include <asio/use_awaitable.hpp>

#include "relay/page_files.hpp"
#include "remote/protocol.hpp"

namespace nightwell::relay {

namespace {

using PageClock = std::chrono::steady_clock;

constexpr std::chrono::seconds request_patience{10}, idle_patience{30}, answer_patience{20};
constexpr std::chrono::seconds between_looks{2}, between_ticks{1}, between_signs_of_life{15}, between_plots{20};
// Where much is to be read: a slice, and the room behind it.
constexpr std::chrono::milliseconds breath{4};
constexpr std::size_t lines_at_once = 500, new_runs_at_once = 20;
constexpr std::size_t read_bytes = 4096;

std::string page_utc() {
  const auto now = std::chrono::system_clock::now();
  return fmt::format("{:%Y-%m-%dT%H:%M:%S}.000000Z", fmt::gmtime(std::chrono::system_clock::to_time_t(now)));
}

std::string date_now() {
  return http::http_date(std::chrono::system_clock::to_time_t(std::chrono::system_clock::now()));
}

std::string tag_of(std::string_view text) {
  return '"' + journal::sha256_hex(text).substr(0, 32) + '"';
}

// "event: parts", its data, and the empty line that ends it.
std::string event(const char* name, const std::string& data) {
  return "event: " + std::string(name) + "\ndata: " + data + "\n\n";
}

}  // namespace

struct StatusPage::Stream {
  Stream(asio::io_context& io, std::shared_ptr<Connection> who)
      : connection(std::move(who)), wake(io, PageClock::time_point::max()) {}

  std::shared_ptr<Connection> connection;
  asio::steady_timer wake;
  std::string run;                          // "": the newest, with the benches
  std::map<std::string, std::string> sent;  // parts, by id
  std::vector<std::string> order;           // of the parts, as it was sent
  std::string shown;                        // the run that they are of
  PageClock::time_point spoke{}, plotted{};
  bool over = false;
  char more = 0;
};

StatusPage::StatusPage(asio::io_context& io, std::filesystem::path runs_folder, Figures figures)
    : io_(io),
      board_(std::move(runs_folder)),
      figures_(std::move(figures)),
      tick_(io),
      style_tag_(tag_of(page_files::style())),
      script_tag_(tag_of(page_files::script())) {}

void StatusPage::start(asio::io_context& io) {
  asio::co_spawn(io, keep_up(), asio::detached);
}

void StatusPage::stop() {
  stopped_ = true;
  tick_.cancel();
  wake_streams();
}

asio::awaitable<void> StatusPage::keep_up() {
  PageClock::time_point next_look{}, next_wake{};
  while (!stopped_) {
    const auto now = PageClock::now();
    bool more = false;
    if (now >= next_look) {
      more = board_.look(new_runs_at_once, now);
      if (!more) next_look = now + between_looks;
    }
    if (board_.read(lines_at_once)) more = true;
    if (now >= next_wake) {
      wake_streams();
      next_wake = now + between_ticks;
    }
    if (more)
      tick_.expires_after(breath);
    else
      tick_.expires_after(between_ticks);
    asio::error_code cancelled;
    co_await tick_.async_wait(asio::redirect_error(asio::use_awaitable, cancelled));
  }
}

void StatusPage::wake_streams() {
  for (Stream* stream : streams_) stream->wake.cancel();
}

// ---- a connection ----

asio::awaitable<void> StatusPage::serve(std::shared_ptr<Connection> connection) {
  http::RequestParser parser;
  bool first = true;
  while (!stopped_) {
    const bool refused = !co_await read_request(connection, parser, first);
    first = false;
    if (refused && parser.status() == 0) co_return;  // it is gone, or came too late
    const http::Request& request = parser.request();
    const bool wants_stream = !refused && request.path == "/events" && !request.head_only && !connection->full;
    if (wants_stream && streams_.size() < most_streams) {
      http::Request asked = request;
      co_return co_await stream(connection, std::move(asked));
    }
    http::Answer answered = refused                            ? http::plain(parser.status())
                            : connection->full || wants_stream ? http::plain(503)
                                                               : answer(request);
    answered.keep_alive = !refused && !connection->full;
    const std::string bytes = http::text(answered, request, date_now());
    const bool sent = co_await send(connection, bytes);
    if (!sent || !answered.keep_alive || !request.keep_alive) break;
  }
  // So that the other side can tell the end of an answer from a cut line.
  connection->within(request_patience);
  asio::error_code ignored;
  co_await connection->stream.async_shutdown(asio::redirect_error(asio::use_awaitable, ignored));
}

// True: parser.request() is one. False: it is refused with parser.status(), or there is none (status 0).
asio::awaitable<bool> StatusPage::read_request(std::shared_ptr<Connection> connection, http::RequestParser& parser,
                                               bool first) {
  char bytes[read_bytes];
  std::string_view come;
  bool begun = parser.begun();
  connection->within(first || begun ? request_patience : idle_patience);
  while (true) {
    const auto found = parser.put(come);
    if (found != http::RequestParser::Found::more) co_return found == http::RequestParser::Found::request;
    const auto into = asio::buffer(bytes);
    asio::error_code error;
    const std::size_t got =
        co_await connection->stream.async_read_some(into, asio::redirect_error(asio::use_awaitable, error));
    if (error) co_return false;
    // From its first byte on, all of it; not a while longer for each byte.
    if (!begun && !first) connection->within(request_patience);
    begun = true;
    come = std::string_view(bytes, got);
  }
}

// False: the connection is no more.
asio::awaitable<bool> StatusPage::send(std::shared_ptr<Connection> connection, std::string_view bytes) {
  connection->within(answer_patience);
  while (!bytes.empty()) {
    const auto from = asio::buffer(bytes);
    asio::error_code error;
    const std::size_t taken =
        co_await connection->stream.async_write_some(from, asio::redirect_error(asio::use_awaitable, error));
    if (error) co_return false;
    bytes.remove_prefix(taken);
  }
  connection->at_leisure();
  co_return true;
}

// ---- answers ----

http::Answer StatusPage::answer(const http::Request& request) {
  if (request.path == "/") return page_of(board_.newest(PageClock::now()), true, "/events");
  if (request.path == "/page.css")
    return http::unchanging(request, "text/css; charset=utf-8", page_files::style(), style_tag_);
  if (request.path == "/page.js")
    return http::unchanging(request, "text/javascript; charset=utf-8", page_files::script(), script_tag_);
  if (request.path == "/metrics" && figures_) return metrics(request);
  if (request.path == "/events" && request.head_only) {
    http::Answer out;
    out.type = "text/event-stream";
    out.has_length = false;
    return out;
  }
  constexpr std::string_view runs = "/run/";
  if (request.path.starts_with(runs)) {
    const std::string id = request.path.substr(runs.size());
    // What is no run's name does not get into an address.
    const RunFeed* run = remote::is_run_id(id) ? board_.find(id, PageClock::now()) : nullptr;
    if (run != nullptr && !run->caught_up()) tick_.cancel();  // goes on reading at once
    if (run != nullptr) return page_of(run, false, "/events?run=" + id);
    http::Answer none = http::plain(404);
    none.body += "There is no run of this name in the runs folder, or no longer.\n";
    return none;
  }
  return http::plain(404);
}

http::Answer StatusPage::page_of(const RunFeed* run, bool with_benches, const std::string& events) {
  const auto parts = parts_of(run, with_benches);
  if (!parts) {
    spdlog::error("{}", parts.error().text());
    return http::plain(500);
  }
  const std::string name = run == nullptr ? "no run yet" : title(run->view(std::chrono::system_clock::now()));
  const auto text = page({name, page_utc(), events}, *parts);
  if (!text) {
    spdlog::error("{}", text.error().text());
    return http::plain(500);
  }
  http::Answer out;
  out.body = *text;
  return out;
}

http::Answer StatusPage::metrics(const http::Request& request) {
  const MetricsForm form = wanted_form(request.accept);
  RelayFigures figures = figures_();
  figures.page_streams = streams_.size();
  figures.runs_unreadable = board_.trouble().has_value();
  http::Answer out;
  out.type = content_type(form);
  out.body = metrics_text(form, bench_views(), figures);
  return out;
}

std::vector<RunView> StatusPage::bench_views() const {
  const auto now = std::chrono::system_clock::now();
  std::vector<RunView> out;
  for (const RunFeed* run : board_.benches()) out.push_back(run->view(now));
  return out;
}

// The same parts for everybody who looks at the run, made once for each change.
Result<std::vector<Part>> StatusPage::parts_of(const RunFeed* run, bool with_benches) {
  std::vector<Part> out;
  if (board_.trouble()) {
    auto made = folder_part(*board_.trouble());
    if (!made) return made.error();
    out.push_back(std::move(made).value());
  }
  const auto views = bench_views();
  std::optional<Part> benches;
  // That there is no run here cannot be said of a folder that cannot be read.
  if (with_benches && !(board_.trouble() && views.empty())) {
    auto made = benches_part(views, board_.others());
    if (!made) return made.error();
    benches = std::move(made).value();
  }
  // A list of one is no choice that somebody must make first.
  const bool list_first = benches && views.size() != 1;
  if (list_first) out.push_back(*benches);
  if (run == nullptr) return out;
  const RunView view = run->view(std::chrono::system_clock::now());
  Made& made = made_[run->id()];
  if (made.parts.empty() || made.changes != run->changes() || made.silent != view.silent() ||
      made.fresh != view.fresh()) {
    auto parts = run_parts(view);
    if (!parts) return parts.error();
    made = {run->changes(), view.silent(), view.fresh(), std::move(parts).value()};
  }
  out.insert(out.end(), made.parts.begin(), made.parts.end());
  if (benches && !list_first) out.push_back(*benches);
  // Not a second store of all runs that anybody has ever looked at.
  if (made_.size() > most_streams + Board::most_benches) made_.clear();
  return out;
}

// ---- server-sent events ----

const RunFeed* StatusPage::run_for(const Stream& stream) {
  const auto now = PageClock::now();
  return stream.run.empty() ? board_.newest(now) : board_.find(stream.run, now);
}

// The run that it follows is no longer there.
bool StatusPage::has_gone(const Stream& stream) {
  return !stream.run.empty() && run_for(stream) == nullptr;
}

// What to send now; "" for nothing.
std::string StatusPage::news_for(Stream& stream) {
  const auto now = PageClock::now();
  const RunFeed* run = run_for(stream);
  if (run != nullptr && run->id() != stream.shown) {
    stream.shown = run->id();
    stream.plotted = {};
  }
  std::vector<Part> changed;
  std::vector<std::string> order = stream.order;
  if (auto parts = parts_of(run, stream.run.empty())) {
    order.clear();
    for (const Part& part : *parts) order.push_back(part.id);
    std::erase_if(stream.sent,
                  [&](const auto& sent) { return std::find(order.begin(), order.end(), sent.first) == order.end(); });
    for (Part& part : parts.value()) {
      std::string& sent = stream.sent[part.id];
      if (sent == part.html) continue;
      // The largest part by far, in which a minute hardly shows.
      if (part.id == "course") {
        if (!sent.empty() && now < stream.plotted + between_plots) continue;
        stream.plotted = now;
      }
      sent = part.html;
      changed.push_back(std::move(part));
    }
  }
  const bool moved = order != stream.order;
  if (changed.empty() && !moved && now < stream.spoke + between_signs_of_life) return "";
  stream.order = std::move(order);
  stream.spoke = now;
  const std::string utc = page_utc();
  if (changed.empty() && !moved) return event("alive", R"({"utc":")" + utc + "\"}");
  return event("parts", parts_json(utc, stream.order, changed));
}

asio::awaitable<void> StatusPage::stream(std::shared_ptr<Connection> connection, http::Request request) {
  const auto stream = std::make_shared<Stream>(io_, connection);
  stream->run = http::query_value(request.query, "run");
  if (has_gone(*stream)) {
    const std::string none = http::text(http::plain(404), request, date_now());
    co_await send(connection, none);
    co_return;
  }
  http::Answer head;
  head.type = "text/event-stream";
  head.has_length = false;
  const std::string text = http::text(head, request, date_now()) + "retry: 3000\n\n";
  bool alive = co_await send(connection, text);
  // Nothing more is wanted from the other side; that it closes its end is.
  connection->stream.async_read_some(asio::buffer(&stream->more, 1), [stream](const asio::error_code&, std::size_t) {
    stream->over = true;
    stream->connection->close();
    stream->wake.cancel();
  });
  connection->when_closed = [weak = std::weak_ptr<Stream>(stream)] {
    if (const auto held = weak.lock()) {
      held->over = true;
      held->wake.cancel();
    }
  };
  streams_.insert(stream.get());
  // Where the run is taken away the stream ends: the page's script then asks for the page, and is told that there is none.
  while (alive && !stream->over && !stopped_ && !has_gone(*stream)) {
    const std::string news = news_for(*stream);
    if (!news.empty()) alive = co_await send(connection, news);
    if (!alive || stream->over || stopped_) break;
    stream->wake.expires_at(PageClock::time_point::max());
    asio::error_code woken;
    co_await stream->wake.async_wait(asio::redirect_error(asio::use_awaitable, woken));
  }
  streams_.erase(stream.get());
  connection->close();
}

}  // namespace nightwell::relay

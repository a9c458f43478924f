#include "relay/relay.hpp"

#include <fmt/chrono.h>

#include <algorithm>
#include <asio/buffer.hpp>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/redirect_error.hpp>
#include <asio/use_awaitable.hpp>

#include "relay/journal_cursor.hpp"
#include "relay/pace.hpp"
#include "relay/runs.hpp"

namespace nightwell::relay {

namespace {

using SteadyClock = std::chrono::steady_clock;

constexpr std::chrono::seconds longest_request_wait{10};

std::string utc_now() {
  const auto now = std::chrono::floor<std::chrono::microseconds>(std::chrono::system_clock::now());
  const auto second = std::chrono::floor<std::chrono::seconds>(now);
  return fmt::format("{:%Y-%m-%dT%H:%M:%S}.{:06}Z", fmt::gmtime(std::chrono::system_clock::to_time_t(second)),
                     (now - second).count());
}

remote::Refusal refusal_for(Errc code) {
  switch (code) {
    case Errc::bad_input: return remote::Refusal::bad_request;
    case Errc::not_found: return remote::Refusal::no_such_run;
    case Errc::out_of_range: return remote::Refusal::no_such_record;
    case Errc::mismatch: return remote::Refusal::changed;
    case Errc::damaged: return remote::Refusal::damaged;
    case Errc::refused: return remote::Refusal::full;
    default: return remote::Refusal::storage;
  }
}

}  // namespace

struct Relay::Session {
  Session(asio::io_context& io, std::shared_ptr<Connection> who)
      : connection(std::move(who)), wake(io, SteadyClock::time_point::max()) {}

  std::shared_ptr<Connection> connection;
  asio::steady_timer wake;
  bool plain = false;                    // no lines of the relay's own
  bool over = false, sent_more = false;  // the other side is gone, or to be dropped
  bool saying_goodbye = false, stalled = false;
  char more = 0;
  FollowerStatus status;

  [[nodiscard]] bool ended_here() const { return saying_goodbye || connection->cause() != Connection::Cause::none; }
};

Relay::Relay(asio::io_context& io, std::filesystem::path runs_folder, std::chrono::seconds stalled, Growth& growth,
             Counters& counters, TlsListener& listener)
    : io_(io),
      runs_(std::move(runs_folder)),
      stalled_(stalled),
      growth_(growth),
      counters_(counters),
      listener_(listener) {}

std::vector<FollowerStatus> Relay::followers() const {
  std::vector<FollowerStatus> out;
  for (const auto& held : sessions_)
    if (const auto session = held.lock(); session && !session->status.run.empty()) out.push_back(session->status);
  return out;
}

std::uint64_t Relay::largest_lag_bytes() const {
  std::uint64_t out = 0;
  for (const auto& follower : followers()) out = std::max(out, follower.bytes_behind);
  return out;
}

asio::awaitable<void> Relay::serve(std::shared_ptr<Connection> connection) {
  const auto session = std::make_shared<Session>(io_, connection);
  session->status.name = connection->name;
  session->status.address = connection->address;
  connection->when_closed = [weak = std::weak_ptr<Session>(session)] {
    if (const auto held = weak.lock()) held->wake.cancel();
  };
  std::erase_if(sessions_, [](const auto& held) { return held.expired(); });
  sessions_.push_back(session);
  std::string line;
  const bool asked = co_await read_request(session, line);
  if (asked) {
    asio::co_spawn(io_, watch_for_more(session), asio::detached);
    co_await answer(session, std::move(line));
    if (!session->over && !session->ended_here()) {
      session->saying_goodbye = true;
      co_await connection->say_goodbye();
    }
  }
  report_end(*session);
  connection->close();
}

// False: there is no request, and nothing to answer.
asio::awaitable<bool> Relay::read_request(std::shared_ptr<Session> session, std::string& line) {
  Connection& connection = *session->connection;
  connection.within(longest_request_wait);
  char bytes[remote::longest_request + 1];
  std::size_t end = std::string::npos;
  while (end == std::string::npos && line.size() <= remote::longest_request) {
    const auto room = asio::buffer(bytes, sizeof bytes - line.size());
    std::error_code error;
    const std::size_t got = co_await connection.read(room, error);
    if (error && connection.cause() == Connection::Cause::late) {
      ++counters_.refused.too_slow;
      listener_.log(connection, "refused: no whole request within 10 s");
    }
    if (error) co_return false;
    line.append(bytes, got);
    end = line.find('\n');
  }
  connection.at_leisure();
  if (end == std::string::npos) co_return true;  // longer than a request may be: the answer says so
  session->sent_more = line.size() > end + 1;
  line.resize(end);
  co_return !session->sent_more;
}

// From its request on a follower sends nothing. One that closes its end is gone.
asio::awaitable<void> Relay::watch_for_more(std::shared_ptr<Session> session) {
  const auto room = asio::buffer(&session->more, 1);
  std::error_code error;
  const std::size_t got = co_await session->connection->read(room, error);
  // In a goodbye it is the other side's own, after which asio would wait for more for ever; or the connection is closed already.
  session->connection->close();
  if (session->ended_here()) co_return;
  session->over = true;
  session->sent_more = got > 0;
  session->wake.cancel();
}

asio::awaitable<void> Relay::answer(std::shared_ptr<Session> session, std::string line) {
  if (session->connection->full) {
    Error full{Errc::refused, "",
               "as many followers as this relay lets in, or of this name, are connected: try again later", ""};
    co_return co_await refuse(session, std::move(full));
  }
  const auto request = remote::parse_request(line);
  if (!request) {
    Error error = request.error();
    co_return co_await refuse(session, std::move(error));
  }
  if (std::holds_alternative<remote::RunsRequest>(*request)) co_return co_await list(session);
  auto wanted = std::get<remote::JournalRequest>(*request);
  co_await follow(session, std::move(wanted));
}

asio::awaitable<void> Relay::list(std::shared_ptr<Session> session) {
  const auto runs = list_runs(runs_);
  if (!runs) {
    Error error = runs.error();
    co_return co_await refuse(session, std::move(error));
  }
  std::string text;
  for (const auto& run : *runs) text += remote::print(run) + '\n';
  text += remote::print(remote::End{true}) + '\n';
  co_await send(session, text);
}

asio::awaitable<void> Relay::follow(std::shared_ptr<Session> session, remote::JournalRequest request) {
  session->plain = request.plain;
  Result<std::string> run = request.run;
  if (request.run.empty()) run = newest_run(runs_);
  Result<JournalCursor> opened =
      run ? JournalCursor::open(runs_ / *run, request.from, request.prev, sha256_) : Result<JournalCursor>(run.error());
  if (!opened) {
    Error error = opened.error();
    if (error.code == Errc::not_found) error.detail = run ? "there is no run " + *run + " here" : error.detail;
    co_return co_await refuse(session, std::move(error));
  }
  JournalCursor cursor = std::move(opened).value();
  session->status.run = *run;
  listener_.log(*session->connection, "follows " + *run + " from " + std::to_string(request.from), true);

  const Growth::Watch growth(growth_, runs_ / *run, session->wake);
  remote::Hello hello{*run, request.from};
  bool alive = co_await say(session, std::move(hello));
  Pace pace(SteadyClock::now());
  LineBuffer buffer;
  while (alive && !session->over) {
    const auto lines = cursor.next(buffer, sha256_);
    if (!lines) {
      Error error = lines.error();
      co_return co_await refuse(session, std::move(error));
    }
    session->status.next_n = cursor.next_n();
    session->status.bytes_behind = cursor.behind();
    const bool sent = !lines->empty();
    if (sent) {
      alive = co_await send(session, *lines);
      counters_.lines += cursor.lines();
      pace.sent_records(SteadyClock::now());
    } else {
      buffer.give_back();
    }
    if (cursor.closed() || (!sent && !request.on)) break;
    const auto due = pace.due(SteadyClock::now());
    if (alive && due == Pace::Due::head) {
      remote::Head head{cursor.next_n() - 1, std::string(cursor.head()), utc_now()};
      alive = co_await say(session, std::move(head));
      pace.sent_head(SteadyClock::now());
    } else if (alive && due == Pace::Due::sign) {
      remote::Idle idle{utc_now()};
      alive = co_await say(session, std::move(idle));
      pace.sent_sign(SteadyClock::now());
    } else if (!sent) {
      session->wake.expires_at(pace.next());
      asio::error_code woken;
      co_await session->wake.async_wait(asio::redirect_error(asio::use_awaitable, woken));
      if (session->connection->cause() != Connection::Cause::none) alive = false;
    }
  }
  if (!alive || session->over) co_return;
  if (pace.has_head()) {
    remote::Head head{cursor.next_n() - 1, std::string(cursor.head()), utc_now()};
    alive = co_await say(session, std::move(head));
  }
  remote::End end{cursor.closed()};
  if (alive) co_await say(session, std::move(end));
}

// False: the connection is no more.
asio::awaitable<bool> Relay::send(std::shared_ptr<Session> session, std::string_view bytes) {
  Connection& connection = *session->connection;
  while (!bytes.empty()) {
    connection.within(stalled_);
    const auto from = asio::buffer(bytes);
    std::error_code error;
    const std::size_t taken = co_await connection.write(from, error);
    // The deadline is ours; the kernel may find first that nothing was acknowledged for as long (TCP_USER_TIMEOUT).
    if (error) session->stalled = connection.cause() == Connection::Cause::late || error == asio::error::timed_out;
    if (error) co_return false;
    bytes.remove_prefix(taken);
    counters_.bytes += taken;
  }
  connection.at_leisure();
  co_return true;
}

asio::awaitable<bool> Relay::say(std::shared_ptr<Session> session, remote::RelayLine line) {
  if (session->plain) co_return true;
  const std::string text = remote::print(line) + '\n';
  co_return co_await send(session, text);
}

asio::awaitable<void> Relay::refuse(std::shared_ptr<Session> session, Error error) {
  const bool following = !session->status.run.empty();
  if (error.code == Errc::refused)  // full: the listener has counted it, and said so
    ;
  else if (following)
    ++counters_.dropped.journal;
  else
    ++counters_.refused.bad_request;
  if (error.code != Errc::refused) listener_.log(*session->connection, error.text());
  remote::ErrorLine line{refusal_for(error.code), error.detail};
  line.text.resize(std::min<std::size_t>(line.text.size(), 500));
  co_await say(session, std::move(line));
}

void Relay::report_end(const Session& session) {
  const Connection& connection = *session.connection;
  if (session.sent_more) {
    ++counters_.dropped.sent_more;
    listener_.log(connection, "dropped: it sent something behind its request");
  } else if (session.stalled) {
    ++counters_.dropped.stalled;
    listener_.log(connection, "dropped: it took nothing for " + std::to_string(stalled_.count()) + " s");
  } else if (!session.status.run.empty()) {
    listener_.log(connection, "is gone", true);
  }
}

}  // namespace nightwell::relay

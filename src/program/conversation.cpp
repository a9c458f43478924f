#include "program/conversation.hpp"

#include <poll.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <asio/error.hpp>
#include <asio/posix/stream_descriptor.hpp>
#include <asio/steady_timer.hpp>
#include <cerrno>
#include <chrono>
#include <csignal>
#include <ctime>
#include <deque>
#include <optional>
#include <system_error>
#include <utility>
#include <vector>

#include "instrument/awaitable.hpp"
#include "instrument/deadline.hpp"
#include "nightwell/instrument/scpi.hpp"
#include "program/last_words.hpp"
#include "program/starter.hpp"

namespace nightwell::program {

namespace {

using Descriptor = asio::posix::stream_descriptor;
using instrument::ConnectionSettings;
using instrument::SteadyTime;

constexpr std::size_t at_once = 64 * 1024;
constexpr std::size_t unasked_bytes = 64 * 1024;  // more than this since the last request is a flood
constexpr std::chrono::milliseconds flood_pause{1};
constexpr std::chrono::seconds dies_within{1};  // after SIGKILL, or after the end of its output

SteadyTime now() {
  return std::chrono::steady_clock::now();
}

Error simple(Errc code, std::string detail) {
  return Error{code, "", std::move(detail), ""};
}

// A line with its time. Left out where standard error takes nothing just now: a terminal that was stopped, or a pipe that nobody
// reads, must not hold up an "off".
void note_on_standard_error(const std::string& text) {
  const std::time_t seconds = std::time(nullptr);
  std::tm parts{};
  ::gmtime_r(&seconds, &parts);
  char stamp[32] = {};
  std::strftime(stamp, sizeof stamp, "%Y-%m-%dT%H:%M:%SZ ", &parts);
  const std::string line = stamp + text + "\n";
  pollfd ready{STDERR_FILENO, POLLOUT, 0};
  if (::poll(&ready, 1, 0) <= 0 || (ready.revents & POLLOUT) == 0) return;
  [[maybe_unused]] const auto written = ::write(STDERR_FILENO, line.data(), line.size());
}

std::string end_text(const siginfo_t& facts) {
  if (facts.si_code == CLD_EXITED)
    return "the driver's program ended with exit code " + std::to_string(facts.si_status);
  return "the driver's program was killed by signal " + std::to_string(facts.si_status);
}

// Something that a call waits for.
class Signal {
 public:
  explicit Signal(asio::io_context& io) : timer_(io) {}
  void give() {
    given_ = true;
    timer_.cancel();
  }
  // Until it is given, at most until the deadline. Throws where the coroutine was cancelled.
  asio::awaitable<void> wait(SteadyTime deadline) {
    given_ = false;
    timer_.expires_at(deadline);
    const auto [ended] = co_await timer_.async_wait(instrument::use_tuple);
    if (ended && !given_) throw std::system_error(ended);
  }

 private:
  asio::steady_timer timer_;
  bool given_ = false;
};

}  // namespace

// One process from its start to its end. Its handlers keep it, so it may outlive the conversation.
struct Conversation::Child : std::enable_shared_from_this<Conversation::Child> {
  using Note = std::function<void(const std::string&)>;

  Child(asio::io_context& io, StartedProgram& started, Note its_note)
      : pid(started.spawned.pid),
        input(std::move(started.input)),
        process(io, started.spawned.process.release()),
        output(io, started.output.release()),
        errors(io, started.errors.release()),
        changed(io),
        killing(io),
        pause(io),
        note(std::move(its_note)) {}

  pid_t pid;
  journal::File input;
  Descriptor process, output, errors;
  Signal changed;  // of what stands below
  asio::steady_timer killing, pause;
  Note note;

  bool ended = false;
  std::optional<Error> fault;  // what it did wrong; it is killed for it
  std::string how_it_ended;
  LineCutter cutter;
  LastWords words;
  std::size_t heard = 0;  // since the last request
  bool greeting = true;   // its first line has not come
  std::uint64_t pending = 0;
  std::optional<std::string> line;  // the greeting, or the answer to the pending request
  std::uint64_t dropped = 0;

  void begin() {
    watch();
    listen();
    listen_to_errors();
  }

  [[nodiscard]] bool is_running() const { return !ended && !fault; }
  // Why it answers nothing any more.
  [[nodiscard]] Error why() const {
    if (fault) return *fault;
    const std::string last = words.last();
    return simple(Errc::port_gone, how_it_ended + (greeting ? " before it had greeted" : "") +
                                       (last.empty() ? "" : "; its last words: " + last));
  }

  void fail(Error error) {
    if (!is_running()) return;
    fault = std::move(error);
    kill();
    changed.give();
  }
  void kill() {
    if (!ended) ::kill(-pid, SIGKILL);
  }
  void kill_after(Duration patience) {
    killing.expires_after(patience);
    killing.async_wait([self = shared_from_this()](const asio::error_code& error) {
      if (!error) self->kill();
    });
  }

  // A pipe takes more than one line, and one question is asked at a time: what does not fit is not read.
  void write(const std::string& text) {
    const ssize_t put = ::write(input.fd(), text.data(), text.size());
    if (put == static_cast<ssize_t>(text.size()) || (put < 0 && errno == EPIPE)) return;  // its end says why
    fail(simple(Errc::no_answer, "the driver's program reads nothing; it was killed"));
  }

  // ---- what it says ----

  void listen() {
    output.async_wait(Descriptor::wait_read, [self = shared_from_this()](const asio::error_code& error) {
      if (error || self->ended) return;
      if (self->hear()) return self->listen();
      if (self->is_running()) self->kill_after(dies_within);  // it has closed its output: what it does is nothing to us
    });
  }

  // Reads once; false: nothing more comes.
  bool hear() {
    std::array<char, 16 * 1024> bytes;
    const ssize_t got = ::read(output.native_handle(), bytes.data(), bytes.size());
    if (got <= 0) return got < 0 && (errno == EAGAIN || errno == EINTR);
    heard += static_cast<std::size_t>(got);
    if (fault) return heard < unasked_bytes;
    cutter.add(std::string_view(bytes.data(), static_cast<std::size_t>(got)));
    while (auto text = cutter.next()) take(std::move(*text));
    if (cutter.too_long())
      fail(simple(Errc::garbled, "the driver's program wrote a line of more than " + std::to_string(longest_line) +
                                     " bytes; it was killed"));
    else if (heard > unasked_bytes)
      fail(simple(Errc::garbled, "the driver's program wrote more than anybody asked for; it was killed"));
    return true;
  }

  void take(std::string text) {
    if (fault) return;
    if (greeting) {
      greeting = false;
      line = std::move(text);
      changed.give();
      return;
    }
    const auto id = answered_id(text);
    if (!id) return fail(killed_for(id.error()));
    if (pending == 0 || *id != pending) {
      ++dropped;
      return;
    }
    pending = 0;
    line = std::move(text);
    changed.give();
  }

  static Error killed_for(Error error) {
    error.detail = "the driver's program wrote what is no answer, and was killed: " + error.detail;
    return error;
  }

  void listen_to_errors() {
    errors.async_wait(Descriptor::wait_read, [self = shared_from_this()](const asio::error_code& error) {
      if (error || self->ended || !self->hear_errors()) return;
      // Read and dropped where it is too much: a program that hangs in a write cannot switch off.
      self->pause.expires_after(flood_pause);
      self->pause.async_wait([self](const asio::error_code& stopped) {
        if (!stopped) self->listen_to_errors();
      });
    });
  }

  bool hear_errors() {
    std::vector<char> bytes(at_once);
    const ssize_t got = ::read(errors.native_handle(), bytes.data(), bytes.size());
    if (got <= 0) return got < 0 && (errno == EAGAIN || errno == EINTR);
    for (const auto& text : words.add(std::string_view(bytes.data(), static_cast<std::size_t>(got)), now())) note(text);
    return true;
  }

  // ---- its end ----

  void watch() {
    process.async_wait(Descriptor::wait_read, [self = shared_from_this()](const asio::error_code& error) {
      if (!error) self->on_ended();
    });
  }

  void on_ended() {
    siginfo_t facts{};
    // It stays a zombie until its group is gone: its number, which is the group's, is not given to another one.
    if (::waitid(P_PID, static_cast<id_t>(pid), &facts, WEXITED | WNOHANG | WNOWAIT) != 0 || facts.si_pid != pid)
      return watch();
    ::kill(-pid, SIGKILL);
    drain();
    ::waitid(P_PID, static_cast<id_t>(pid), &facts, WEXITED | WNOHANG);
    ended = true;
    how_it_ended = end_text(facts);
    asio::error_code ignored;
    process.close(ignored);
    output.close(ignored);
    errors.close(ignored);
    input = journal::File();
    killing.cancel();
    pause.cancel();
    changed.give();
  }

  // Its last answer and its last words may still be in the pipes.
  void drain() {
    for (int i = 0; i < 8; ++i) {
      const std::size_t before = heard;
      if (!hear() || heard == before) break;
    }
    hear_errors();
  }
};

struct Conversation::Core {
  Core(asio::io_context& its_io, ConnectionSettings its_settings, Role its_role, Patience its_patience)
      : io(its_io), settings(std::move(its_settings)), role(its_role), patience(its_patience), started_event(its_io) {}

  asio::io_context& io;
  ConnectionSettings settings;
  Role role;
  Patience patience;
  std::shared_ptr<Child> child;
  std::shared_ptr<Child> old;  // let go, and perhaps not ended
  bool changed_file = false;
  std::optional<Starter> starter;
  std::optional<Result<std::shared_ptr<StartedProgram>>> started;
  Signal started_event;
  std::deque<SteadyTime> starts;
  std::uint64_t last_id = 0, asked_again = 0, dropped = 0;

  [[nodiscard]] Child::Note note_of() const {
    return [name = settings.name, note = settings.note](const std::string& text) {
      const std::string line = "driver of " + name + ": " + text;
      note ? note(line) : note_on_standard_error(line);
    };
  }

  [[nodiscard]] Request request_of(const Ask& what) {
    const auto* output = std::get_if<SetOutput>(&what);
    const bool off = output != nullptr && !output->on;
    Request request;
    request.id = ++last_id;
    request.within = off ? 4 * settings.reply + patience.off : 8 * settings.reply + patience.answer;
    request.ask = what;
    return request;
  }

  [[nodiscard]] bool too_many_starts() {
    while (!starts.empty() && now() - starts.front() > starts_counted_over) starts.pop_front();
    return starts.size() >= static_cast<std::size_t>(most_starts);
  }

  // Input ended; where it does not end by itself in time, it is killed.
  void let_go() {
    if (!child) return;
    dropped += std::exchange(child->dropped, 0);
    child->input = journal::File();
    child->pending = 0;
    if (child->is_running()) {
      child->fault = simple(Errc::port_gone, "the driver's program was told to end");
      child->kill_after(role == Role::heat_source ? patience.source_ends : patience.scanner_ends);
    }
    child->changed.give();
    old = std::exchange(child, nullptr);
  }

  // An old one that has not ended may hold the instrument's port.
  asio::awaitable<void> end_old() {
    let_go();
    if (!old || old->ended) co_return;
    const auto dying = old;
    dying->kill();
    const SteadyTime deadline = now() + dies_within;
    while (!dying->ended && now() < deadline) co_await dying->changed.wait(deadline);
  }

  asio::awaitable<Result<std::shared_ptr<StartedProgram>>> start_process(bool even_if_changed, SteadyTime deadline) {
    started.reset();
    starter.emplace(io, settings.program, even_if_changed, [this](Result<std::shared_ptr<StartedProgram>> result) {
      started = std::move(result);
      started_event.give();
    });
    // Whatever ends this wait, a process that comes later is killed and not ours.
    struct Forget {
      std::optional<Starter>& starter;
      ~Forget() { starter.reset(); }
    } forget{starter};
    while (!started && now() < deadline) co_await started_event.wait(deadline);
    if (!started) co_return simple(Errc::no_answer, "the program could not be started in time; does its disk hang?");
    co_return std::move(*started);
  }

  asio::awaitable<Result<void>> greet(SteadyTime deadline) {
    const auto speaking = child;
    Hello hello;
    hello.role = role;
    hello.instrument = settings.name;
    hello.port = settings.port;
    hello.reply = settings.reply;
    hello.identity = settings.identity;
    speaking->write(to_line(hello));
    while (!speaking->line && speaking->is_running() && now() < deadline) co_await speaking->changed.wait(deadline);
    if (!speaking->line && speaking->is_running())
      speaking->fail(simple(Errc::no_answer, "the driver's program did not greet within " +
                                                 std::to_string(patience.start.count() / 1'000'000) +
                                                 " s; it was killed"));
    if (!speaking->line) co_return speaking->why();
    const std::string line = *std::exchange(speaking->line, std::nullopt);
    Result<Welcome> welcome = parse_welcome(line);
    Result<void> out;
    if (!welcome)
      out = welcome.error().code == Errc::garbled ? Child::killed_for(welcome.error()) : welcome.error();
    else if (welcome->error)
      out = *welcome->error;
    if (!out) {
      const Error error = out.error();
      speaking->fail(error);
      co_return out;
    }
    speaking->note(instrument::printable(welcome->driver) + ", revision " + instrument::printable(welcome->revision) +
                   ", process " + std::to_string(speaking->pid));
    if (!settings.wire_log.empty()) speaking->note("its wire is not recorded: the program itself has the port");
    co_return out;
  }
};

Conversation::Conversation(asio::io_context& io, ConnectionSettings settings, Role role, Patience patience)
    : core_(std::make_shared<Core>(io, std::move(settings), role, patience)) {}

Conversation::~Conversation() {
  core_->let_go();
}

bool Conversation::is_running() const {
  return core_->child && core_->child->is_running();
}
bool Conversation::has_changed() const {
  return core_->changed_file;
}
std::uint64_t Conversation::asked_again() const {
  return core_->asked_again;
}
std::uint64_t Conversation::dropped_answers() const {
  return core_->dropped + (core_->child ? core_->child->dropped : 0);
}
void Conversation::close() {
  core_->let_go();
}

asio::awaitable<Result<void>> Conversation::start(Start how) {
  const auto core = core_;
  if (is_running()) co_return Result<void>();
  if (how == Start::gently && core->too_many_starts())
    co_return simple(Errc::port_gone, "the driver's program was started " + std::to_string(most_starts) +
                                          " times within a minute; it is left alone for a while" +
                                          (core->child ? ": " + core->child->why().detail : ""));
  co_await core->end_old();
  core->starts.push_back(now());
  const SteadyTime deadline = now() + core->patience.start;
  const bool even_if_changed = how == Start::to_switch_off;
  const auto started = co_await core->start_process(even_if_changed, deadline);
  if (!started) co_return started.error();
  core->changed_file = (*started)->changed;
  core->child = std::make_shared<Child>(core->io, **started, core->note_of());
  core->child->begin();
  if (core->changed_file) core->child->note("the file has changed since the plan was made: it may only switch off");
  co_return co_await core->greet(deadline);
}

asio::awaitable<Result<Answer>> Conversation::ask(Ask what) {
  const auto core = core_;
  const auto child = core->child;
  if (!child) co_return simple(Errc::port_gone, "the driver's program does not run; identify the instrument first");
  if (!child->is_running()) co_return child->why();
  const Request request = core->request_of(what);
  const Duration limit = request.within + core->patience.grace;
  child->line.reset();
  child->heard = 0;
  child->pending = request.id;
  child->write(to_line(request));
  const SteadyTime deadline = now() + limit;
  while (!child->line && child->is_running() && child->pending == request.id && now() < deadline)
    co_await child->changed.wait(deadline);
  if (!child->line) {
    if (child->is_running() && child->pending != request.id)
      co_return simple(Errc::port_gone, "another call took its place");
    child->fail(simple(Errc::no_answer, "the driver's program did not answer within " +
                                            std::to_string(limit.count() / 1000) + " ms; it was killed"));
    co_return child->why();
  }
  const std::string line = *std::exchange(child->line, std::nullopt);
  Result<Answer> answer = parse_answer(line, what);
  if (!answer) {
    const Error error = Child::killed_for(answer.error());
    child->fail(error);
    co_return error;
  }
  core->asked_again += answer->asked_again;
  co_return answer;
}

void Conversation::send_regardless(const Ask& what) {
  if (!is_running()) return;
  const Request request = core_->request_of(what);
  core_->child->pending = request.id;
  core_->child->write(to_line(request));
  core_->child->changed.give();
}

}  // namespace nightwell::program

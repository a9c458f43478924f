#include "guardian/client.hpp"

#include <fcntl.h>
#include <spawn.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

extern "C" {
#include <sys/pidfd.h>  // glibc 2.36 forgot to say so itself
}

#include <array>
#include <asio/buffer.hpp>
#include <asio/local/stream_protocol.hpp>
#include <asio/posix/stream_descriptor.hpp>
#include <asio/steady_timer.hpp>
#include <asio/write.hpp>
#include <cerrno>
#include <csignal>
#include <cstring>
#include <deque>
#include <optional>
#include <utility>

#include "guardian/protocol.hpp"
#include "guardian/run.hpp"
#include "guardian/text.hpp"
#include "instrument/awaitable.hpp"

namespace nightwell::guardian {
namespace {

constexpr int above_standard_files = 10;
constexpr int calls_of_a_read_back = 3;
constexpr std::chrono::seconds death_follows_silence{1};  // between the socket's end and the process's

std::string errno_text(int number) {
  return std::strerror(number);
}  // NOLINT: one thread

// Files that close themselves.
class File {
 public:
  explicit File(int number = -1) : number_(number) {}
  File(File&& other) noexcept : number_(std::exchange(other.number_, -1)) {}
  File& operator=(File&&) = delete;
  ~File() {
    if (number_ >= 0) ::close(number_);
  }
  [[nodiscard]] int get() const { return number_; }
  [[nodiscard]] int release() { return std::exchange(number_, -1); }

 private:
  int number_;
};

// How the child is started: its files, its session, its signals.
class SpawnPlan {
 public:
  SpawnPlan() {
    ::posix_spawn_file_actions_init(&files_);
    ::posix_spawnattr_init(&attributes_);
  }
  ~SpawnPlan() {
    ::posix_spawnattr_destroy(&attributes_);
    ::posix_spawn_file_actions_destroy(&files_);
  }
  SpawnPlan(const SpawnPlan&) = delete;
  SpawnPlan& operator=(const SpawnPlan&) = delete;

  // 0 and 1 on /dev/null, 2 on the log, 3 the socket, nothing else.
  int set_files(int socket, const std::string& log) {
    for (const int number : {STDIN_FILENO, STDOUT_FILENO})
      if (const int failed = ::posix_spawn_file_actions_addopen(&files_, number, "/dev/null", O_RDWR, 0)) return failed;
    if (const int failed = ::posix_spawn_file_actions_addopen(&files_, STDERR_FILENO, log.c_str(),
                                                              O_WRONLY | O_APPEND | O_CREAT, 0640))
      return failed;
    if (const int failed = ::posix_spawn_file_actions_adddup2(&files_, socket, socket_file)) return failed;
    return ::posix_spawn_file_actions_addclosefrom_np(&files_, socket_file + 1);
  }
  // A session of its own, no signal blocked, none ignored.
  int set_signals() {
    sigset_t none;
    sigset_t all;
    sigemptyset(&none);
    sigfillset(&all);
    if (const int failed = ::posix_spawnattr_setsigmask(&attributes_, &none)) return failed;
    if (const int failed = ::posix_spawnattr_setsigdefault(&attributes_, &all)) return failed;
    return ::posix_spawnattr_setflags(
        &attributes_, static_cast<short>(POSIX_SPAWN_SETSID | POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF));
  }
  int spawn(const std::string& program, pid_t& pid) {
    std::string name = "nightwell-guardian";
    char* const arguments[] = {name.data(), nullptr};
    return ::posix_spawn(&pid, program.c_str(), &files_, &attributes_, arguments, environ);
  }

 private:
  posix_spawn_file_actions_t files_{};
  posix_spawnattr_t attributes_{};
};

Error fault(Errc code, const std::string& detail, const std::string& where) {
  return Error{code, "starting the guardian", detail, where};
}

Result<void> check(const Settings& settings) {
  if (const auto limits = check(settings.limits); !limits.ok()) return limits.error();
  // What the guardian would refuse is refused here, where the caller sees why at once.
  const Setup setup{settings.connection, settings.limits, settings.speed, settings.log.string()};
  std::string line = to_line(Request(setup));
  line.pop_back();
  if (const auto read = parse_request(line); !read.ok()) return read.error();
  if (::access(settings.program.c_str(), X_OK) != 0)
    return fault(Errc::not_found, "the program cannot be run: " + errno_text(errno), settings.program.string());
  const File log(::open(settings.log.c_str(), O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0640));
  if (log.get() < 0)
    return fault(Errc::storage, "the log cannot be opened: " + errno_text(errno), settings.log.string());
  return {};
}

Result<pid_t> spawn(const Settings& settings, int child_end) {
  // Above the numbers that the child's files get, whatever of 0..3 is closed here.
  const File socket(::fcntl(child_end, F_DUPFD_CLOEXEC, above_standard_files));
  if (socket.get() < 0) return fault(Errc::unexpected, errno_text(errno), "");
  SpawnPlan plan;
  pid_t pid = -1;
  int failed = plan.set_files(socket.get(), settings.log.string());
  if (!failed) failed = plan.set_signals();
  if (!failed) failed = plan.spawn(settings.program.string(), pid);
  if (failed) return fault(Errc::unexpected, errno_text(failed), settings.program.string());
  return pid;
}

std::string end_text(const siginfo_t& info) {
  if (info.si_code == CLD_EXITED && info.si_status == 0) return "ended by itself; it had proved the output off";
  if (info.si_code == CLD_EXITED) return "ended with exit code " + std::to_string(info.si_status);
  return "was killed by signal " + std::to_string(info.si_status);
}

// Real time. Longer than any read-back takes with all its calls, and the wait for it.
std::chrono::steady_clock::duration longest_silence(const Settings& settings) {
  const double quiet_s = to_seconds(settings.limits.stale + settings.limits.poll) / settings.speed;
  return std::chrono::duration_cast<std::chrono::steady_clock::duration>(std::chrono::duration<double>(quiet_s)) +
         calls_of_a_read_back * longest_call(settings.connection.reply);
}

constexpr const char* unguarded = ": nobody guards the source, switch it off by hand now";

bool proved_off(const siginfo_t& info) {
  return info.si_code == CLD_EXITED && info.si_status == 0;
}

}  // namespace

// Shared with the handlers, which may run after the Client is gone.
struct Client::Core : std::enable_shared_from_this<Client::Core> {
  Core(asio::io_context& its_io, Settings its_settings, std::function<void(const Report&)> report)
      : io(its_io),
        settings(std::move(its_settings)),
        on_report(std::move(report)),
        socket(io),
        process(io),
        patience(io),
        end(io),
        life(io) {
    end.expires_at(asio::steady_timer::time_point::max());
  }

  asio::io_context& io;
  Settings settings;
  std::function<void(const Report&)> on_report;
  asio::local::stream_protocol::socket socket;
  asio::posix::stream_descriptor process;  // pidfd: readable once the process has ended
  asio::steady_timer patience;
  asio::steady_timer end;  // never fires: cancelled once all is over
  pid_t pid = -1;
  bool reaped = false;
  bool heated = false;  // a lease was granted
  bool died = false;    // it ended without having proved the output off
  bool over = false;    // reaped, and nobody relieves it
  bool abandoned = false;
  asio::steady_timer life;  // the next look whether it still says something
  std::chrono::steady_clock::time_point heard_at{};
  bool doubted = false;  // it had said nothing for too long at the last look
  int reliefs_left = most_reliefs;
  std::shared_ptr<Core> relief;
  std::function<void()> on_over;
  bool closing = false;
  bool silent = false;  // the socket ended
  bool said_lost = false;
  std::string how =
      "closed its socket; whether it still guards the source is not known: switch the source off by hand now";
  std::array<char, 4096> heard{};
  LineBuffer lines;
  std::deque<std::string> outbox;
  bool writing = false;

  void report(const Report& what) {
    const auto call = on_report;  // the Client may be destroyed from within
    if (call) call(what);
  }

  // ---- hearing ----

  void listen() {
    socket.async_read_some(asio::buffer(heard), [self = shared_from_this()](const asio::error_code& error, auto size) {
      if (error) return self->silence();
      self->lines.add(std::string_view(self->heard.data(), size));
      while (auto line = self->lines.next())
        if (!self->hear(*line)) return self->silence();
      self->listen();
    });
  }

  // False: what came is no report, and nothing after it can be trusted.
  bool hear(const LineBuffer::Line& line) {
    Result<Said> said =
        line.overlong ? Result<Said>(fault(Errc::bad_input, "a report is too long", "")) : parse_said(line.text);
    if (!said.ok()) {
      how = "said what cannot be read (" + said.error().text() + "): switch the source off by hand now";
      return false;
    }
    heard_at = std::chrono::steady_clock::now();
    doubted = false;
    if (std::holds_alternative<Accepted>(*said)) heats();
    std::visit(Overload{[this](const Opened& opened) {
                          Ready ready;
                          ready.identity.text = opened.identity;
                          ready.status = opened.status;
                          report(ready);
                        },
                        [this](const auto& other) { report(other); }},
               *said);
    return true;
  }

  void silence() {
    if (std::exchange(silent, true)) return;
    asio::error_code ignored;
    socket.shutdown(asio::local::stream_protocol::socket::shutdown_both, ignored);
    if (reaped) return ended();
    if (closing) return;
    patience.expires_after(death_follows_silence);
    patience.async_wait([self = shared_from_this()](const asio::error_code& error) {
      if (!error) self->lost();
    });
  }

  void lost() {
    if (closing || std::exchange(said_lost, true)) return;
    report(Lost{how});
  }

  // ---- the process ----

  void watch_process() {
    process.async_wait(asio::posix::stream_descriptor::wait_read,
                       [self = shared_from_this()](const asio::error_code& error) {
                         if (error) return;
                         self->reap(WEXITED);
                         if (!self->reaped) self->watch_process();
                       });
  }

  void reap(int options) {
    siginfo_t info{};
    if (reaped || ::waitid(P_PID, static_cast<id_t>(pid), &info, options) != 0 || info.si_pid != pid) return;
    reaped = true;
    died = !proved_off(info);
    how = end_text(info);
    patience.cancel();
    if (silent || on_report == nullptr) return ended();  // else its last words are still to be heard
    if (!died || !heated) finish();
  }

  void ended() {
    const bool relieved = died && heated && on_report != nullptr && reliefs_left > 0;
    if (died) how += relieved ? "; another one is started to switch the source off: see that it is off" : unguarded;
    lost();
    if (relieved && on_report != nullptr && relieve()) return;
    finish();
  }

  // A guardian says something at every read-back and every failure. One that says nothing is stopped, or held up by what no
  // software can see: it guards nobody, so it is killed and relieved. At the second look only: the first may be ours that
  // were stopped, and what it said still lies in the socket.
  void watch_life() {
    if (reaped || abandoned) return;
    const auto limit = settings.frozen_after.count() > 0 ? settings.frozen_after : longest_silence(settings);
    life.expires_after(limit / 4);
    life.async_wait([self = shared_from_this(), limit](const asio::error_code& error) {
      if (error || self->reaped || self->abandoned) return;
      const bool silent_for_long = std::chrono::steady_clock::now() - self->heard_at > limit;
      if (silent_for_long && self->doubted) ::kill(self->pid, SIGKILL);
      self->doubted = silent_for_long;
      self->watch_life();
    });
  }
  void heats() {
    if (std::exchange(heated, true)) return;
    heard_at = std::chrono::steady_clock::now();
    watch_life();
  }

  void finish() {
    if (std::exchange(over, true)) return;
    life.cancel();
    end.cancel();
    if (const auto call = std::exchange(on_over, nullptr)) call();
  }

  // Another guardian of the same source, which parks it. It writes no wire log: the first one's is there.
  bool relieve() {
    Settings same = settings;
    same.limits.heated_before = true;
    same.connection.wire_log.clear();
    auto started = begin(io, same, [weak = weak_from_this()](const Report& said) {
      const auto self = weak.lock();
      if (self && !std::holds_alternative<Ready>(said)) self->report(said);
    });
    if (!started.ok()) {
      if (!closing) report(Lost{"is not replaced: " + started.error().text() + unguarded});
      return false;
    }
    relief = *started;
    relief->heats();
    relief->reliefs_left = reliefs_left - 1;
    relief->on_over = [weak = weak_from_this()] {
      if (const auto self = weak.lock()) self->finish();
    };
    relief->send(ParkRequested{"the guardian before this one is gone"});
    if (closing) relief->close();
    return true;
  }

  static Result<std::shared_ptr<Core>> begin(asio::io_context& io, Settings settings,
                                             std::function<void(const Report&)> on_report);

  // ---- speaking ----

  void send(const Request& request) {
    if (silent) return;
    if (outbox.size() >= most_unsent_lines) outbox.erase(outbox.begin() + (writing ? 1 : 0));
    outbox.push_back(to_line(request));
    if (!writing) write_next();
  }

  void write_next() {
    if (outbox.empty()) {
      writing = false;
      if (closing) half_close();
      return;
    }
    writing = true;
    asio::async_write(socket, asio::buffer(outbox.front()),
                      [self = shared_from_this()](const asio::error_code& error, std::size_t) {
                        self->outbox.pop_front();
                        if (error) self->outbox.clear();  // the reader finds out why
                        self->write_next();
                      });
  }

  void half_close() {
    asio::error_code ignored;
    socket.shutdown(asio::local::stream_protocol::socket::shutdown_send, ignored);
  }

  void close() {
    if (relief) relief->close();
    if (std::exchange(closing, true)) return;
    if (!writing) half_close();
  }

  void abandon() {
    if (relief) relief->abandon();
    on_report = nullptr;
    on_over = nullptr;
    abandoned = true;
    life.cancel();
    closing = true;
    asio::error_code ignored;
    socket.close(ignored);
    reap(WEXITED | WNOHANG);
    process.close(ignored);
    patience.cancel();
    end.cancel();
  }
};

Result<std::shared_ptr<Client::Core>> Client::Core::begin(asio::io_context& io, Settings settings,
                                                          std::function<void(const Report&)> on_report) {
  if (const auto fine = check(settings); !fine.ok()) return fine.error();
  int ends[2] = {-1, -1};
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, ends) != 0)
    return fault(Errc::unexpected, errno_text(errno), "");
  File ours(ends[0]);
  const File theirs(ends[1]);
  auto core = std::make_shared<Core>(io, settings, std::move(on_report));
  const Result<pid_t> pid = spawn(settings, theirs.get());
  if (!pid.ok()) return pid.error();
  core->pid = *pid;
  File process(::pidfd_open(*pid, 0));
  if (process.get() < 0) {  // it has no settings yet, so it holds no port: it ends when its socket does
    const Error error = fault(Errc::unexpected, errno_text(errno), "");
    ::kill(*pid, SIGKILL);
    ::waitpid(*pid, nullptr, 0);
    return error;
  }
  core->process.assign(process.release());
  core->socket.assign(asio::local::stream_protocol(), ours.release());
  core->send(Setup{settings.connection, settings.limits, settings.speed, settings.log.string()});
  core->listen();
  core->watch_process();
  return core;
}

Result<std::unique_ptr<Client>> Client::start(asio::io_context& io, Settings settings,
                                              std::function<void(const Report&)> on_report) {
  auto core = Core::begin(io, std::move(settings), std::move(on_report));
  if (!core.ok()) return core.error();
  return std::unique_ptr<Client>(new Client(std::move(core).value()));
}

Client::Client(std::shared_ptr<Core> core) : core_(std::move(core)) {}
Client::~Client() {
  core_->abandon();
}

void Client::lease(double target_c, bool output, double highest_c) {
  core_->send(LeaseRequested{target_c, output, highest_c, core_->settings.limits.lease});
}
void Client::park(std::string cause) {
  core_->send(ParkRequested{std::move(cause)});
}
void Client::close() {
  core_->close();
}
pid_t Client::pid() const {
  const Core* newest = core_.get();
  while (newest->relief) newest = newest->relief.get();
  return newest->pid;
}
bool Client::gone() const {
  return core_->over;
}

asio::awaitable<void> Client::ended() {
  const auto core = core_;  // the Client may go while we wait
  while (!core->over && !core->abandoned) {
    const auto [error] = co_await core->end.async_wait(instrument::use_tuple);
    if (error && (co_await asio::this_coro::cancellation_state).cancelled() != asio::cancellation_type::none)
      throw asio::system_error(error);
  }
}

}  // namespace nightwell::guardian

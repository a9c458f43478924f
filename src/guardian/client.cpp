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
  if (info.si_code == CLD_EXITED && info.si_status == 0)
    return "the guardian ended by itself; it had proved the output off";
  if (info.si_code == CLD_EXITED) return "the guardian ended with exit code " + std::to_string(info.si_status);
  return "the guardian was killed by signal " + std::to_string(info.si_status) +
         ": nobody guards the source, look at it now";
}

}  // namespace

// Shared with the handlers, which may run after the Client is gone.
struct Client::Core : std::enable_shared_from_this<Client::Core> {
  Core(asio::io_context& io, Settings settings, std::function<void(const Report&)> report)
      : lease(settings.limits.lease), on_report(std::move(report)), socket(io), process(io), patience(io), end(io) {
    end.expires_at(asio::steady_timer::time_point::max());
  }

  Duration lease;
  std::function<void(const Report&)> on_report;
  asio::local::stream_protocol::socket socket;
  asio::posix::stream_descriptor process;  // pidfd: readable once the process has ended
  asio::steady_timer patience;
  asio::steady_timer end;  // never fires: cancelled once the process is reaped
  pid_t pid = -1;
  bool reaped = false;
  bool closing = false;
  bool silent = false;  // the socket ended
  bool said_lost = false;
  std::string how = "its socket closed; whether the process still guards the source is not known";
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
      how = "it said what cannot be read (" + said.error().text() + ")";
      return false;
    }
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
    if (closing) return;
    if (reaped) return lost();
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
    how = end_text(info);
    patience.cancel();
    end.cancel();
    if (silent) lost();  // else its last words are still to be heard
  }

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
    if (std::exchange(closing, true)) return;
    if (!writing) half_close();
  }

  void abandon() {
    on_report = nullptr;
    closing = true;
    asio::error_code ignored;
    socket.close(ignored);
    reap(WEXITED | WNOHANG);
    process.close(ignored);
    patience.cancel();
    end.cancel();
  }
};

Result<std::unique_ptr<Client>> Client::start(asio::io_context& io, Settings settings,
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
  return std::unique_ptr<Client>(new Client(std::move(core)));
}

Client::Client(std::shared_ptr<Core> core) : core_(std::move(core)) {}
Client::~Client() {
  core_->abandon();
}

void Client::lease(double target_c, bool output, double highest_c) {
  core_->send(LeaseRequested{target_c, output, highest_c, core_->lease});
}
void Client::park(std::string cause) {
  core_->send(ParkRequested{std::move(cause)});
}
void Client::close() {
  core_->close();
}
pid_t Client::pid() const {
  return core_->pid;
}
bool Client::gone() const {
  return core_->reaped;
}

asio::awaitable<void> Client::ended() {
  const auto core = core_;  // the Client may go while we wait
  while (!core->reaped && core->process.is_open()) {
    const auto [error] = co_await core->end.async_wait(instrument::use_tuple);
    if (error && (co_await asio::this_coro::cancellation_state).cancelled() != asio::cancellation_type::none)
      throw asio::system_error(error);
  }
}

}  // namespace nightwell::guardian

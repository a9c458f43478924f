#include "conformance/faulty_line.hpp"

#include <arpa/inet.h>
#include <fcntl.h>
#include <netdb.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdlib.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <condition_variable>
#include <cstdint>
#include <deque>
#include <filesystem>
#include <mutex>
#include <optional>
#include <system_error>
#include <thread>
#include <utility>

#include "instrument/tty.hpp"

namespace nightwell::conformance {

namespace {

using Steady = std::chrono::steady_clock;
using Time = Steady::time_point;

constexpr Duration between_pieces{5'000};
constexpr std::size_t most_pieces = 8;

Error line_error(Errc code, std::string doing, int number, std::string where = "") {
  return Error{code, std::move(doing), std::generic_category().message(number), std::move(where)};
}

class Fd {
 public:
  Fd() = default;
  explicit Fd(int fd) : fd_(fd) {}
  Fd(Fd&& other) noexcept : fd_(std::exchange(other.fd_, -1)) {}
  Fd& operator=(Fd&& other) noexcept {
    if (this != &other) {
      close();
      fd_ = std::exchange(other.fd_, -1);
    }
    return *this;
  }
  ~Fd() { close(); }
  void close() {
    if (fd_ >= 0) ::close(std::exchange(fd_, -1));
  }
  [[nodiscard]] int get() const { return fd_; }
  explicit operator bool() const { return fd_ >= 0; }

 private:
  int fd_ = -1;
};

// ---- the driver's side ----

// A pty behind a link, as the driver wants it: raw, and there until it is unplugged. We hold its other end too, so that
// a driver that closes and opens again is no hang-up for us.
struct PtySide {
  Fd master, slave;
};

Result<PtySide> make_pty(const std::string& link) {
  PtySide out;
  out.master = Fd(::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK));
  std::array<char, 128> path{};
  if (!out.master || ::grantpt(out.master.get()) != 0 || ::unlockpt(out.master.get()) != 0 ||
      ::ptsname_r(out.master.get(), path.data(), path.size()) != 0)
    return line_error(Errc::unexpected, "making a pseudo-terminal", errno);
  out.slave = Fd(::open(path.data(), O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK));
  termios raw{};
  if (!out.slave || ::tcgetattr(out.slave.get(), &raw) != 0)
    return line_error(Errc::unexpected, "making a pseudo-terminal", errno);
  ::cfmakeraw(&raw);
  if (::tcsetattr(out.slave.get(), TCSANOW, &raw) != 0)
    return line_error(Errc::unexpected, "making a pseudo-terminal", errno);
  std::error_code problem;
  std::filesystem::remove(link, problem);
  std::filesystem::create_symlink(path.data(), link, problem);
  if (problem) return line_error(Errc::unexpected, "making a pseudo-terminal", problem.value(), link);
  return out;
}

// Listens on 127.0.0.1; port 0: any.
Result<Fd> make_listener(std::uint16_t port) {
  Fd fd(::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0));
  const int on = 1;
  sockaddr_in address{};
  address.sin_family = AF_INET;
  address.sin_port = htons(port);
  address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  if (!fd || ::setsockopt(fd.get(), SOL_SOCKET, SO_REUSEADDR, &on, sizeof on) != 0 ||
      ::bind(fd.get(), reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0 || ::listen(fd.get(), 4) != 0)
    return line_error(Errc::unexpected, "listening on 127.0.0.1", errno);
  return fd;
}

std::uint16_t port_of(const Fd& listener) {
  sockaddr_in address{};
  socklen_t size = sizeof address;
  if (::getsockname(listener.get(), reinterpret_cast<sockaddr*>(&address), &size) != 0) return 0;
  return ntohs(address.sin_port);
}

// ---- the instrument's side ----

Result<Fd> connect_to(const TcpPort& port, Duration within) {
  const std::string where = port_name(Port(port));
  addrinfo hints{};
  hints.ai_socktype = SOCK_STREAM;
  addrinfo* found = nullptr;
  if (const int problem = ::getaddrinfo(port.host.c_str(), std::to_string(port.port).c_str(), &hints, &found);
      problem != 0)
    return Error{Errc::port_gone, "looking up the host", ::gai_strerror(problem), where};
  const std::unique_ptr<addrinfo, void (*)(addrinfo*)> kept(found, &::freeaddrinfo);
  int last = ECONNREFUSED;
  for (const addrinfo* one = found; one != nullptr; one = one->ai_next) {
    Fd fd(::socket(one->ai_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0));
    if (!fd) return line_error(Errc::port_gone, "connecting", errno, where);
    const int started = ::connect(fd.get(), one->ai_addr, one->ai_addrlen);
    if (started != 0 && errno != EINPROGRESS) {
      last = errno;
      continue;
    }
    pollfd waiting{fd.get(), POLLOUT, 0};
    const int milliseconds = static_cast<int>(std::clamp<std::int64_t>(within.count() / 1000, 1, 60'000));
    int outcome = ETIMEDOUT;
    socklen_t size = sizeof outcome;
    if (::poll(&waiting, 1, milliseconds) > 0) ::getsockopt(fd.get(), SOL_SOCKET, SO_ERROR, &outcome, &size);
    if (outcome == 0) {
      const int on = 1;
      ::setsockopt(fd.get(), IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
      return fd;
    }
    last = outcome;
  }
  return line_error(Errc::port_gone, "connecting", last, where);
}

Result<Fd> open_instrument(const Port& port, Duration within) {
  if (const auto* tcp = std::get_if<TcpPort>(&port)) return connect_to(*tcp, within);
  const auto* serial = std::get_if<SerialPort>(&port);
  const Result<int> fd =
      serial != nullptr ? instrument::open_serial(*serial) : instrument::open_pty(std::get<PtyPort>(port));
  if (!fd) return fd.error();
  return Fd(*fd);
}

// A short wait for a full buffer: a command is short, and a line that takes none of it has stopped.
bool write_whole(int fd, std::string_view bytes) {
  while (!bytes.empty()) {
    const ssize_t sent = ::write(fd, bytes.data(), bytes.size());
    if (sent > 0) {
      bytes.remove_prefix(static_cast<std::size_t>(sent));
      continue;
    }
    if (sent < 0 && errno == EINTR) continue;
    pollfd waiting{fd, POLLOUT, 0};
    if (sent >= 0 || errno != EAGAIN || ::poll(&waiting, 1, 200) <= 0) return false;
  }
  return true;
}

// Bytes that no reply in text has, whatever the reply was; its last byte stays, so that a line ends where one ended.
std::string garbage_for(std::string_view reply) {
  std::string out;
  std::uint32_t state = 2463534242U;  // xorshift32 (Marsaglia 2003), from memory
  for (std::size_t i = 0; i < reply.size(); ++i) {
    state ^= state << 13U;
    state ^= state >> 17U;
    state ^= state << 5U;
    out += static_cast<char>(0x80U | (state & 0x7FU));
  }
  const char last = reply.empty() ? '\0' : reply.back();
  if (last == '\n' || last == '\r') out.back() = last;
  return out;
}

}  // namespace

const char* name(Spoil spoil) {
  switch (spoil) {
    case Spoil::none: return "unspoiled";
    case Spoil::silent: return "no reply";
    case Spoil::garbage: return "garbage instead of the reply";
    case Spoil::cut_short: return "the reply cut short";
    case Spoil::split: return "the reply in pieces";
    case Spoil::late: return "the reply late, with the next command";
    case Spoil::twice: return "the reply twice";
    case Spoil::old_in_front: return "an old reply glued in front";
    case Spoil::echo: return "an echo before the reply";
    case Spoil::looped: return "a short-circuited line";
    case Spoil::unplugged: return "unplugged and back";
  }
  return "";
}

struct FaultyLine::Core {
  // Fixed once open.
  std::string folder, link;
  bool tcp = false;  // on both sides
  std::uint16_t tcp_port = 0;

  // The thread's alone.
  Fd listener, near_fd, near_slave, far_fd;
  Mirrored mirror;
  std::optional<Time> back_at;
  bool instrument_gone = false;

  // Of the conversation; the thread's alone.
  Spoil current = Spoil::none;  // of the reply to the command that went out last
  bool spoiled_already = false;
  bool answered = true;  // something came back since the last command
  Time last_command_at{};
  std::string command, reply, old_reply, pending, held;
  Time pending_since{};
  std::deque<std::pair<Time, std::string>> pieces;

  // Asked from outside.
  mutable std::mutex mutex;
  Spoil wanted = Spoil::none;
  int left = 0;  // replies; -1: until cleared
  bool dammed = false, stop = false;
  std::vector<Passage> passages;
  std::uint64_t looks_wanted = 0, looks_done = 0;
  std::condition_variable looked;

  Fd wake;
  std::thread thread;

  ~Core() {
    if (thread.joinable()) {
      {
        const std::lock_guard lock(mutex);
        stop = true;
      }
      nudge();
      thread.join();
    }
    // What is still to be sent must not hold up the end.
    if (far_fd && !tcp) instrument::forget_output(far_fd.get());
    std::error_code ignored;
    if (!folder.empty()) std::filesystem::remove_all(folder, ignored);
  }

  void nudge() const {
    const std::uint64_t one = 1;
    [[maybe_unused]] const auto written = ::write(wake.get(), &one, sizeof one);
  }

  // Locked, and what was sent before has been seen.
  [[nodiscard]] std::unique_lock<std::mutex> caught_up() {
    std::unique_lock lock(mutex);
    const std::uint64_t mine = ++looks_wanted;
    nudge();
    looked.wait(lock, [&] { return looks_done >= mine; });
    return lock;
  }

  void note(Passage::Way way, std::string_view bytes) {
    const std::lock_guard lock(mutex);
    passages.push_back({way, std::string(bytes)});
  }

  // ---- plugging ----

  Result<void> plug_in() {
    back_at.reset();
    if (tcp) {
      auto made = make_listener(tcp_port);
      if (!made) return made.error();
      listener = std::move(made).value();
      if (tcp_port == 0) tcp_port = port_of(listener);  // once: it is read from outside
      return {};
    }
    auto made = make_pty(link);
    if (!made) return made.error();
    near_fd = std::move(made->master);
    near_slave = std::move(made->slave);
    return {};
  }

  void unplug() {
    near_fd.close();
    near_slave.close();
    listener.close();
    if (!tcp) {
      std::error_code ignored;
      std::filesystem::remove(link, ignored);
    }
    pending.clear();
    held.clear();
    pieces.clear();
  }

  // ---- what passes ----

  void to_driver(std::string_view bytes) {
    if (bytes.empty()) return;
    answered = true;
    const bool heard = near_fd && write_whole(near_fd.get(), bytes);
    note(heard ? Passage::Way::to_driver : Passage::Way::note,
         heard ? std::string(bytes) : "the driver's side is closed: what came for it is dropped");
  }

  void from_driver(std::string_view bytes) {
    const Time now = Steady::now();
    settle_pending();
    const bool goes_on = !answered && now - last_command_at < settle;
    last_command_at = now;
    if (goes_on)
      command += bytes;
    else
      begin_command(bytes);
    bool closed = false;
    {
      const std::lock_guard lock(mutex);
      closed = dammed;
    }
    const bool passes = !closed && current != Spoil::looped;
    note(passes ? Passage::Way::to_instrument : Passage::Way::kept_from_instrument, bytes);
    if (!held.empty()) to_driver(std::exchange(held, ""));
    answered = false;
    if (current == Spoil::looped || current == Spoil::echo) to_driver(bytes);
    if (passes) to_instrument(bytes);
    if (current != Spoil::unplugged || back_at) return;
    note(Passage::Way::note, "unplugged");
    unplug();
    back_at = now + away;
  }

  void begin_command(std::string_view bytes) {
    command = bytes;
    if (!reply.empty()) old_reply = std::exchange(reply, "");
    spoiled_already = false;
    const std::lock_guard lock(mutex);
    current = left == 0 ? Spoil::none : wanted;
    if (left > 0) --left;
  }

  void to_instrument(std::string_view bytes) {
    if (mirror.hear) {
      from_instrument(mirror.hear(bytes));
    } else if (!far_fd || !write_whole(far_fd.get(), bytes)) {
      instrument_hung_up();
    }
  }

  void from_instrument(std::string_view bytes) {
    if (bytes.empty()) return;
    note(Passage::Way::from_instrument, bytes);
    reply += bytes;
    if (current == Spoil::none || current == Spoil::echo) return to_driver(bytes);
    if (current == Spoil::silent || current == Spoil::looped || current == Spoil::unplugged) return;
    pending += bytes;
    pending_since = Steady::now();
  }

  // What was held has come whole: it is spoiled and goes on.
  void settle_pending() {
    if (pending.empty()) return;
    const std::string part = std::exchange(pending, "");
    const bool first = !std::exchange(spoiled_already, true);
    if (current == Spoil::garbage && first) to_driver(garbage_for(part));
    if (current == Spoil::cut_short && first) to_driver(std::string_view(part).substr(0, part.size() / 2));
    if (current == Spoil::late) held += part;
    if (current == Spoil::twice) to_driver(part + part);
    if (current == Spoil::old_in_front) to_driver(first ? old_reply + part : part);
    if (current == Spoil::split) {
      const std::size_t size = (part.size() + most_pieces - 1) / most_pieces;
      Time at = Steady::now();
      for (std::size_t begin = 0; begin < part.size(); begin += size, at += between_pieces)
        pieces.emplace_back(at, part.substr(begin, size));
    }
    if (current == Spoil::none) to_driver(part);
  }

  void instrument_hung_up() {
    if (std::exchange(instrument_gone, true)) return;
    note(Passage::Way::note, "the instrument hung up");
    far_fd.close();
    unplug();
    back_at.reset();
  }

  // ---- the thread ----

  [[nodiscard]] int wait_ms() const {
    std::optional<Time> due = back_at;
    const auto sooner = [&due](Time at) { due = due ? std::min(*due, at) : at; };
    if (!pending.empty()) sooner(pending_since + settle);
    if (!pieces.empty()) sooner(pieces.front().first);
    if (!due) return -1;
    const auto left_ms = std::chrono::ceil<std::chrono::milliseconds>(*due - Steady::now()).count();
    return static_cast<int>(std::clamp<std::int64_t>(left_ms, 0, 60'000));
  }

  void do_what_is_due() {
    const Time now = Steady::now();
    if (!pending.empty() && now - pending_since >= settle) settle_pending();
    while (!pieces.empty() && pieces.front().first <= now) {
      const std::string piece = std::move(pieces.front().second);
      pieces.pop_front();
      to_driver(piece);
    }
    if (!back_at || now < *back_at || instrument_gone) return;
    note(Passage::Way::note, plug_in() ? "plugged in again" : "our own port cannot be made again");
  }

  void accept_driver() {
    Fd fresh(::accept4(listener.get(), nullptr, nullptr, SOCK_CLOEXEC | SOCK_NONBLOCK));
    if (!fresh) return;
    const int on = 1;
    ::setsockopt(fresh.get(), IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    near_fd = std::move(fresh);
    held.clear();  // a new connection has nothing of the old one
    pending.clear();
    pieces.clear();
  }

  // nullopt: the other side is gone.
  static std::optional<std::string> read_all(int fd) {
    std::string out;
    std::array<char, 4096> buffer{};
    for (;;) {
      const ssize_t count = ::read(fd, buffer.data(), buffer.size());
      if (count > 0) {
        out.append(buffer.data(), static_cast<std::size_t>(count));
        if (out.size() < 64 * 1024) continue;
        return out;
      }
      if (count < 0 && errno == EINTR) continue;
      if (!out.empty() || (count < 0 && errno == EAGAIN)) return out;
      return std::nullopt;
    }
  }

  void serve() {
    for (;;) {
      std::uint64_t look = 0;
      bool awaited = false;
      {
        const std::lock_guard lock(mutex);
        look = looks_wanted;
        awaited = look != looks_done;
      }
      std::array<pollfd, 4> fds{{{wake.get(), POLLIN, 0},
                                 {near_fd.get(), POLLIN, 0},
                                 {listener.get(), POLLIN, 0},
                                 {far_fd.get(), POLLIN, 0}}};
      ::poll(fds.data(), fds.size(), awaited ? 0 : wait_ms());
      {
        const std::lock_guard lock(mutex);
        if (stop) return;
      }
      if (fds[0].revents != 0) {
        std::uint64_t nudges = 0;
        [[maybe_unused]] const auto count = ::read(wake.get(), &nudges, sizeof nudges);
      }
      // The instrument first: what it said before a new command is no answer to that.
      if (far_fd && fds[3].revents != 0) {
        const auto bytes = read_all(far_fd.get());
        bytes ? from_instrument(*bytes) : instrument_hung_up();
      }
      if (near_fd && fds[1].revents != 0) {
        const auto bytes = read_all(near_fd.get());
        if (!bytes)
          near_fd.close();
        else if (!bytes->empty())
          from_driver(*bytes);
      }
      if (listener && fds[2].revents != 0) accept_driver();
      do_what_is_due();
      const std::lock_guard lock(mutex);
      looks_done = look;
      looked.notify_all();
    }
  }
};

FaultyLine::FaultyLine(std::unique_ptr<Core> core) : core_(std::move(core)) {}
FaultyLine::~FaultyLine() = default;

Result<std::unique_ptr<FaultyLine>> FaultyLine::open(FarSide far_side, Duration within) {
  auto core = std::make_unique<Core>();
  std::error_code problem;
  std::string pattern = (std::filesystem::temp_directory_path(problem) / "nightwell-check-XXXXXX").string();
  if (problem || ::mkdtemp(pattern.data()) == nullptr)
    return line_error(Errc::unexpected, "making a folder for a port", problem ? problem.value() : errno, pattern);
  core->folder = pattern;
  core->link = pattern + "/port";
  if (const auto* port = std::get_if<Port>(&far_side)) {
    auto opened = open_instrument(*port, within);
    if (!opened) return opened.error();
    core->far_fd = std::move(opened).value();
    core->tcp = std::holds_alternative<TcpPort>(*port);
  } else {
    core->mirror = std::get<Mirrored>(std::move(far_side));
    core->tcp = core->mirror.on_tcp;
  }
  core->wake = Fd(::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK));
  if (!core->wake) return line_error(Errc::unexpected, "making an event", errno);
  if (const auto plugged = core->plug_in(); !plugged) return plugged.error();
  core->thread = std::thread([raw = core.get()] { raw->serve(); });
  return std::unique_ptr<FaultyLine>(new FaultyLine(std::move(core)));
}

Port FaultyLine::near_port() const {
  if (core_->tcp) return TcpPort{"127.0.0.1", core_->tcp_port};
  return PtyPort{core_->link};
}

void FaultyLine::spoil(Spoil how, int replies) {
  const auto lock = core_->caught_up();
  core_->wanted = how;
  core_->left = replies == 0 ? -1 : replies;
}

void FaultyLine::clear() {
  const auto lock = core_->caught_up();
  core_->left = 0;
}

void FaultyLine::dam(bool closed) {
  const auto lock = core_->caught_up();
  core_->dammed = closed;
}

std::size_t FaultyLine::mark() const {
  const auto lock = core_->caught_up();
  return core_->passages.size();
}

std::vector<Passage> FaultyLine::since(std::size_t mark) const {
  const auto lock = core_->caught_up();
  const auto begin = core_->passages.begin() + static_cast<std::ptrdiff_t>(std::min(mark, core_->passages.size()));
  return {begin, core_->passages.end()};
}

}  // namespace nightwell::conformance

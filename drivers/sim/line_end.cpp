#include "drivers/sim/line_end.hpp"

#include <arpa/inet.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <sys/inotify.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <system_error>
#include <utility>

namespace nightwell::sim {
namespace {

Error system_error(Errc code, const std::string& doing, const std::string& where) {
  return Error{code, doing, std::generic_category().message(errno), where};
}

// Reads until there is nothing more, or a full buffer's worth. End of file sets `ended`.
std::string read_some(int fd, bool& ended) {
  std::string out;
  char buffer[4096];
  while (out.size() < most_waiting) {
    const ssize_t got = ::read(fd, buffer, sizeof buffer);
    if (got > 0) {
      out.append(buffer, static_cast<std::size_t>(got));
      continue;
    }
    if (got < 0 && errno == EINTR) continue;
    ended = got == 0 || (errno != EAGAIN && errno != EWOULDBLOCK);
    break;
  }
  return out;
}

// A pseudo-terminal. Our own slave descriptor stays open, so that the line does not hang up when a client
// leaves and the next one finds it in the same state. A watch on the slave tells when the last client left:
// its claim to the line (TIOCEXCL) and the replies it did not fetch go with it, as they would on a serial
// port.
class PtyEnd final : public LineEnd {
 public:
  explicit PtyEnd(std::string path) : path_(std::move(path)) {}
  ~PtyEnd() override { close(); }

  Result<void> open() override {
    Descriptor master(::posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC));
    char name[128];
    if (!master || ::grantpt(master.get()) != 0 || ::unlockpt(master.get()) != 0 ||
        ::ptsname_r(master.get(), name, sizeof name) != 0)
      return system_error(Errc::port_gone, "opening a pseudo-terminal", path_);
    Descriptor slave(::open(name, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC));
    termios settings{};
    if (!slave || ::tcgetattr(slave.get(), &settings) != 0)
      return system_error(Errc::port_gone, "opening a pseudo-terminal", path_);
    ::cfmakeraw(&settings);
    if (::tcsetattr(slave.get(), TCSANOW, &settings) != 0)
      return system_error(Errc::port_settings, "setting a pseudo-terminal to raw", path_);
    Descriptor watch(::inotify_init1(IN_NONBLOCK | IN_CLOEXEC));
    if (watch) ::inotify_add_watch(watch.get(), name, IN_OPEN | IN_CLOSE);
    if (auto linked = link(name); !linked) return linked;
    slave_name_ = name;
    clients_ = 0;
    master_ = std::move(master), slave_ = std::move(slave), watch_ = std::move(watch);
    return {};
  }

  void close() override {
    if (!master_) return;
    std::error_code ignored;
    if (std::filesystem::read_symlink(path_, ignored) == slave_name_) std::filesystem::remove(path_, ignored);
    master_.close(), slave_.close(), watch_.close();
    waiting_.clear();
  }

  bool is_open() const override { return static_cast<bool>(master_); }

  std::vector<Watch> watches() const override {
    if (!master_) return {};
    std::vector<Watch> out{{master_.get(), static_cast<short>(waiting_.empty() ? POLLIN : POLLIN | POLLOUT)}};
    if (watch_) out.push_back({watch_.get(), POLLIN});
    return out;
  }

  // A client that leaves a serial line does not stop the instrument: `left` is never set.
  std::string exchange(bool&) override {
    if (!master_) return {};
    if (follow_clients()) {
      ::ioctl(slave_.get(), TIOCNXCL);
      ::tcflush(slave_.get(), TCIFLUSH);
      waiting_.clear();
    }
    bool ended = false;
    std::string in = read_some(master_.get(), ended);
    flush();
    return in;
  }

  void flush() override {
    if (master_) flush_to(master_.get(), false);
  }

 private:
  // True where the last client left.
  bool follow_clients() {
    if (!watch_) return false;
    alignas(inotify_event) char buffer[4096];
    bool closed = false;
    for (;;) {
      const ssize_t got = ::read(watch_.get(), buffer, sizeof buffer);
      if (got <= 0) break;
      for (ssize_t at = 0; at < got;) {
        inotify_event event{};
        std::memcpy(&event, buffer + at, sizeof event);
        if ((event.mask & IN_OPEN) != 0) ++clients_;
        if ((event.mask & IN_CLOSE) != 0 && clients_ > 0) --clients_, closed = true;
        at += static_cast<ssize_t>(sizeof event) + static_cast<ssize_t>(event.len);
      }
    }
    return closed && clients_ == 0;
  }

  // Makes the link under another name and renames it, so that a client finds the old one or the new one.
  Result<void> link(const std::string& target) {
    namespace fs = std::filesystem;
    std::error_code error;
    fs::create_directories(fs::path(path_).parent_path(), error);
    if (error) return Error{Errc::storage, "making the folder of a port", error.message(), path_};
    const fs::file_status there = fs::symlink_status(path_, error);
    if (fs::exists(there) && !fs::is_symlink(there))
      return Error{Errc::bad_input, "linking a port", "something that is not a link is in the way: remove it", path_};
    const std::string fresh = path_ + ".new";
    fs::remove(fresh, error);
    fs::create_symlink(target, fresh, error);
    if (!error) fs::rename(fresh, path_, error);
    if (error) return Error{Errc::storage, "linking a port", error.message(), path_};
    return {};
  }

  std::string path_, slave_name_;
  Descriptor master_, slave_, watch_;
  int clients_ = 0;
};

// Further clients wait in the backlog until the one before is gone.
class TcpEnd final : public LineEnd {
 public:
  explicit TcpEnd(int port) : port_(port) {}

  Result<void> open() override {
    const std::string where = "127.0.0.1:" + std::to_string(port_);
    Descriptor listener(::socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0));
    const int yes = 1;
    if (listener) ::setsockopt(listener.get(), SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
    sockaddr_in address{};
    address.sin_family = AF_INET;
    address.sin_port = htons(static_cast<std::uint16_t>(port_));
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    if (!listener || ::bind(listener.get(), reinterpret_cast<sockaddr*>(&address), sizeof address) != 0 ||
        ::listen(listener.get(), 8) != 0)
      return system_error(Errc::port_gone, "listening", where);
    listener_ = std::move(listener);
    return {};
  }

  void close() override {
    client_.close(), listener_.close();
    waiting_.clear();
  }

  bool is_open() const override { return static_cast<bool>(listener_); }

  std::vector<Watch> watches() const override {
    if (client_) return {{client_.get(), static_cast<short>(waiting_.empty() ? POLLIN : POLLIN | POLLOUT)}};
    if (listener_) return {{listener_.get(), POLLIN}};
    return {};
  }

  std::string exchange(bool& left) override {
    if (!client_ && listener_) accept_client();
    if (!client_) return {};
    bool ended = false;
    std::string in = read_some(client_.get(), ended);
    flush();
    if (ended) {
      client_.close();
      waiting_.clear();
      left = true;
    }
    return in;
  }

  void flush() override {
    if (client_)
      flush_to(client_.get(), true);
    else
      waiting_.clear();
  }

 private:
  void accept_client() {
    client_ = Descriptor(::accept4(listener_.get(), nullptr, nullptr, SOCK_NONBLOCK | SOCK_CLOEXEC));
    const int yes = 1;
    if (client_) ::setsockopt(client_.get(), IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
  }

  int port_;
  Descriptor listener_, client_;
};

}  // namespace

Descriptor& Descriptor::operator=(Descriptor&& other) noexcept {
  if (this != &other) {
    close();
    fd_ = other.release();
  }
  return *this;
}

void Descriptor::close() {
  if (fd_ >= 0) ::close(fd_);
  fd_ = -1;
}

void LineEnd::send(std::string_view bytes) {
  waiting_.append(bytes.substr(0, most_waiting - std::min(most_waiting, waiting_.size())));
}

void LineEnd::flush_to(int fd, bool socket) {
  while (!waiting_.empty()) {
    const ssize_t done = socket ? ::send(fd, waiting_.data(), waiting_.size(), MSG_NOSIGNAL)
                                : ::write(fd, waiting_.data(), waiting_.size());
    if (done < 0 && errno == EINTR) continue;
    if (done <= 0) return;
    waiting_.erase(0, static_cast<std::size_t>(done));
  }
}

std::unique_ptr<LineEnd> make_line_end(const InstrumentPort& port) {
  if (const PtyPort* pty = std::get_if<PtyPort>(&port)) return std::make_unique<PtyEnd>(pty->path);
  return std::make_unique<TcpEnd>(std::get<TcpPort>(port).port);
}

}  // namespace nightwell::sim

#include "drivers/sim/control.hpp"

#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <system_error>
#include <utility>

namespace nightwell::sim {
namespace {

constexpr std::size_t longest_request = 64 * 1024;

Error storage_error(const std::filesystem::path& path) {
  return Error{Errc::storage, "opening the control socket", std::generic_category().message(errno), path.string()};
}

}  // namespace

Control::~Control() {
  std::error_code ignored;
  if (listener_) std::filesystem::remove(path_, ignored);
}

Result<void> Control::open(const std::filesystem::path& path) {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  if (path.native().size() >= sizeof address.sun_path)
    return Error{Errc::bad_input, "opening the control socket", "the path is longer than 107 bytes", path.string()};
  std::memcpy(address.sun_path, path.c_str(), path.native().size() + 1);
  std::error_code error;
  const auto there = std::filesystem::symlink_status(path, error);
  if (std::filesystem::exists(there) && !std::filesystem::is_socket(there))
    return Error{Errc::bad_input, "opening the control socket", "something that is no socket is in the way",
                 path.string()};
  std::filesystem::remove(path, error);
  std::filesystem::create_directories(path.parent_path(), error);
  Descriptor listener(::socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0));
  if (!listener || ::bind(listener.get(), reinterpret_cast<sockaddr*>(&address), sizeof address) != 0 ||
      ::listen(listener.get(), 8) != 0)
    return storage_error(path);
  path_ = path;
  listener_ = std::move(listener);
  return {};
}

std::vector<Watch> Control::watches() const {
  std::vector<Watch> out;
  if (listener_) out.push_back({listener_.get(), POLLIN});
  for (const Client& client : clients_) out.push_back({client.fd.get(), POLLIN});
  return out;
}

void Control::run(const Answerer& answer) {
  if (!listener_) return;
  for (;;) {
    Descriptor fd(::accept4(listener_.get(), nullptr, nullptr, SOCK_NONBLOCK | SOCK_CLOEXEC));
    if (!fd) break;
    clients_.push_back(Client{std::move(fd), {}});
  }
  std::vector<Client> kept;
  for (Client& client : clients_)
    if (serve(client, answer)) kept.push_back(std::move(client));
  clients_ = std::move(kept);
}

bool Control::serve(Client& client, const Answerer& answer) {
  char buffer[4096];
  for (;;) {
    const ssize_t got = ::read(client.fd.get(), buffer, sizeof buffer);
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return errno == EAGAIN || errno == EWOULDBLOCK;
    if (got == 0) return false;
    client.partial.append(buffer, static_cast<std::size_t>(got));
    for (std::size_t end = client.partial.find('\n'); end != std::string::npos; end = client.partial.find('\n')) {
      const std::string reply = answer(client.partial.substr(0, end)) + "\n";
      client.partial.erase(0, end + 1);
      // An answer is short beside a socket's buffer; who does not read loses the connection.
      if (::send(client.fd.get(), reply.data(), reply.size(), MSG_NOSIGNAL) != static_cast<ssize_t>(reply.size()))
        return false;
    }
    if (client.partial.size() > longest_request) return false;
  }
}

}  // namespace nightwell::sim

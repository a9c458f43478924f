#include "fake_daemon.hpp"

#include <poll.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cstdlib>
#include <cstring>
#include <fstream>
#include <sstream>
#include <stdexcept>

namespace nightwell::cli_test {

Folder::Folder() {
  std::string name = (std::filesystem::temp_directory_path() / "nightwell-cli-XXXXXX").string();
  if (::mkdtemp(name.data()) == nullptr) throw std::runtime_error("no temporary folder");
  path_ = name;
}
Folder::~Folder() {
  std::error_code ignored;
  std::filesystem::remove_all(path_, ignored);
}

void write_file(const std::filesystem::path& path, const std::string& text) {
  std::filesystem::create_directories(path.parent_path());
  std::ofstream(path, std::ios::binary) << text;
}

std::string read_file(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream out;
  out << file.rdbuf();
  return out.str();
}

FakeDaemon::FakeDaemon(const std::filesystem::path& runtime, Answering answering) : answering_(std::move(answering)) {
  const std::string path = (runtime / "control.sock").string();
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  if (path.size() >= sizeof address.sun_path) throw std::runtime_error("socket path too long");
  std::memcpy(address.sun_path, path.c_str(), path.size() + 1);
  listener_ = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  stop_ = ::eventfd(0, EFD_CLOEXEC);
  if (::bind(listener_, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0 ||
      ::listen(listener_, 8) != 0)
    throw std::runtime_error("cannot listen");
  thread_ = std::thread([this] { serve(); });
}

FakeDaemon::~FakeDaemon() {
  const std::uint64_t one = 1;
  if (::write(stop_, &one, sizeof one) != sizeof one) std::abort();
  thread_.join();
  ::close(listener_);
  ::close(stop_);
}

std::vector<nlohmann::json> FakeDaemon::requests() const {
  const std::lock_guard lock(mutex_);
  return requests_;
}

bool FakeDaemon::wait_readable(int fd) const {
  pollfd waiting[2] = {{stop_, POLLIN, 0}, {fd, POLLIN, 0}};
  ::poll(waiting, 2, -1);
  return waiting[0].revents == 0;
}

void FakeDaemon::serve() {
  while (wait_readable(listener_)) {
    const int fd = ::accept4(listener_, nullptr, nullptr, SOCK_CLOEXEC);
    if (fd < 0) continue;
    converse(fd);
    ::close(fd);
  }
}

void FakeDaemon::converse(int fd) {
  std::string line;
  while (wait_readable(fd)) {
    char bytes[65536];
    const ssize_t count = ::recv(fd, bytes, sizeof bytes, 0);
    if (count <= 0) return;
    line.append(bytes, static_cast<std::size_t>(count));
    const std::size_t end = line.find('\n');
    if (end == std::string::npos) continue;
    const auto request = nlohmann::json::parse(line.substr(0, end), nullptr, false);
    line.erase(0, end + 1);
    {
      const std::lock_guard lock(mutex_);
      requests_.push_back(request);
    }
    const std::string answer = answering_(request);
    if (answer.empty()) return;
    for (std::size_t sent = 0; sent < answer.size();) {
      const ssize_t taken = ::send(fd, answer.data() + sent, answer.size() - sent, MSG_NOSIGNAL);
      if (taken <= 0) return;
      sent += static_cast<std::size_t>(taken);
    }
  }
}

std::string yes(nlohmann::json fields) {
  fields["ok"] = true;
  return fields.dump() + "\n";
}

std::string no(const std::string& code, const std::string& text, const std::vector<std::string>& faults) {
  nlohmann::json error = {{"code", code}, {"text", text}};
  if (!faults.empty()) error["faults"] = faults;
  return nlohmann::json{{"ok", false}, {"error", error}}.dump() + "\n";
}

}  // namespace nightwell::cli_test

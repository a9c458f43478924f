#include "cli/control_client.hpp"

#include <fcntl.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <chrono>
#include <cstring>

namespace nightwell::cli {
namespace {

using SteadyTime = std::chrono::steady_clock::time_point;

Error failed(Errc code, std::string detail, const std::string& where) {
  return Error{code, "asking the daemon", std::move(detail), where};
}

std::string system_text(int number) {
  return std::strerror(number);
}

// Waits until the socket is ready for `events`; false once the deadline has passed.
bool wait_for(int fd, short events, SteadyTime until) {
  for (;;) {
    const auto left = std::chrono::ceil<std::chrono::milliseconds>(until - std::chrono::steady_clock::now()).count();
    if (left <= 0) return false;
    pollfd waiting{fd, events, 0};
    const int ready = ::poll(&waiting, 1, static_cast<int>(std::min<long long>(left, 60'000)));
    if (ready > 0) return true;
    if (ready < 0 && errno != EINTR) return true;  // the read or write that follows reports what is wrong
  }
}

// For a Unix socket the kernel bounds connect() by the send time-out: a daemon that never accepts cannot hang
// us.
void bound_connect(int fd, Duration deadline) {
  timeval limit{};
  limit.tv_sec = static_cast<time_t>(deadline.count() / 1'000'000);
  limit.tv_usec = static_cast<suseconds_t>(deadline.count() % 1'000'000);
  ::setsockopt(fd, SOL_SOCKET, SO_SNDTIMEO, &limit, sizeof limit);
}

Error connect_error(int number, const std::string& where) {
  if (number == EACCES || number == EPERM)
    return failed(Errc::refused,
                  "you may not open this socket: join the group that owns it, or run as the daemon's user", where);
  if (number == EAGAIN || number == EINTR || number == EINPROGRESS)
    return failed(Errc::no_answer, "the daemon is there but does not take the connection", where);
  return Error{Errc::no_answer, "no daemon answers at " + where, "start nightwelld, or give --runtime", ""};
}

// None: the path is longer than a socket's name may be.
std::optional<sockaddr_un> address_of(const std::string& path) {
  sockaddr_un address{};
  address.sun_family = AF_UNIX;
  if (path.size() >= sizeof address.sun_path) return std::nullopt;
  std::memcpy(address.sun_path, path.c_str(), path.size() + 1);
  return address;
}

Result<nlohmann::json> parse_answer(const std::string& line, const std::string& where) {
  auto body = nlohmann::json::parse(line, nullptr, false);
  if (body.is_discarded() || !body.is_object() || !body.contains("ok") || !body["ok"].is_boolean())
    return failed(Errc::garbled, "what came is no answer; is another program using this socket?", where);
  return body;
}

std::string text_of(const nlohmann::json& object, const char* key) {
  const auto found = object.find(key);
  return found != object.end() && found->is_string() ? found->get<std::string>() : std::string();
}

Refusal refusal_of(const nlohmann::json& body) {
  Refusal refusal;
  const auto error = body.find("error");
  if (error == body.end() || !error->is_object()) {
    refusal.code = "unexpected";
    refusal.text = "the daemon said no and gave no reason";
    return refusal;
  }
  refusal.code = text_of(*error, "code");
  refusal.text = text_of(*error, "text");
  if (const auto faults = error->find("faults"); faults != error->end() && faults->is_array())
    for (const auto& fault : *faults)
      if (fault.is_string()) refusal.faults.push_back(fault.get<std::string>());
  return refusal;
}

}  // namespace

Result<ControlClient> ControlClient::connect(const std::filesystem::path& socket, Duration deadline) {
  const std::string where = socket.string();
  const std::optional<sockaddr_un> address = address_of(where);
  if (!address)
    return failed(Errc::bad_input,
                  "a socket's path may have at most " + std::to_string(sizeof address->sun_path - 1) +
                      " bytes: give a shorter --runtime",
                  where);

  const int fd = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  if (fd < 0) return failed(Errc::storage, system_text(errno), where);
  ControlClient client(fd, where);
  bound_connect(fd, deadline);
  if (::connect(fd, reinterpret_cast<const sockaddr*>(&*address), sizeof *address) != 0)
    return connect_error(errno, where);
  ::fcntl(fd, F_SETFL, ::fcntl(fd, F_GETFL) | O_NONBLOCK);
  return client;
}

ControlClient::ControlClient(ControlClient&& other) noexcept
    : fd_(std::exchange(other.fd_, -1)), where_(std::move(other.where_)), waiting_(std::move(other.waiting_)) {}

ControlClient& ControlClient::operator=(ControlClient&& other) noexcept {
  std::swap(fd_, other.fd_);
  std::swap(where_, other.where_);
  std::swap(waiting_, other.waiting_);
  return *this;
}

ControlClient::~ControlClient() {
  if (fd_ >= 0) ::close(fd_);
}

Result<Answer> ControlClient::ask(const nlohmann::json& request, Duration deadline) {
  const SteadyTime until = std::chrono::steady_clock::now() + deadline;
  const std::string line = request.dump(-1, ' ', true, nlohmann::json::error_handler_t::replace) + "\n";
  if (line.size() > largest_request_bytes)
    return failed(Errc::bad_input, "the files together are larger than 8 MiB", where_);

  for (std::size_t sent = 0; sent < line.size();) {
    if (!wait_for(fd_, POLLOUT, until)) return failed(Errc::no_answer, "it does not read its socket", where_);
    const ssize_t count = ::send(fd_, line.data() + sent, line.size() - sent, MSG_NOSIGNAL);
    if (count > 0) sent += static_cast<std::size_t>(count);
    if (count < 0 && errno != EAGAIN && errno != EINTR) {
      // It may have answered why before it hung up: read on.
      break;
    }
  }

  std::string answer = std::exchange(waiting_, {});
  std::size_t end = answer.find('\n');
  while (end == std::string::npos) {
    if (answer.size() > largest_answer_bytes) return failed(Errc::garbled, "its answer never ends", where_);
    if (!wait_for(fd_, POLLIN, until))
      return failed(Errc::no_answer, "no answer came in " + std::to_string(deadline.count() / 1'000'000) + " s",
                    where_);
    char bytes[65536];
    const ssize_t count = ::recv(fd_, bytes, sizeof bytes, 0);
    if (count < 0 && (errno == EAGAIN || errno == EINTR)) continue;
    if (count <= 0)
      return failed(Errc::port_gone, "the daemon hung up before it answered; see its log for the reason", where_);
    const std::size_t before = answer.size();
    answer.append(bytes, static_cast<std::size_t>(count));
    end = answer.find('\n', before);
  }
  waiting_ = answer.substr(end + 1);
  answer.resize(end);
  if (!waiting_.empty()) return failed(Errc::garbled, "it sent more than one answer", where_);

  auto body = parse_answer(answer, where_);
  if (!body) return body.error();
  Answer out;
  if (!body.value()["ok"].get<bool>()) out.refusal = refusal_of(*body);
  out.body = std::move(body).value();
  return out;
}

bool somebody_listens(const std::filesystem::path& socket) {
  const std::optional<sockaddr_un> address = address_of(socket.string());
  const int fd = address ? ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0) : -1;
  if (fd < 0) return true;
  const bool connected = ::connect(fd, reinterpret_cast<const sockaddr*>(&*address), sizeof *address) == 0;
  const bool nobody = !connected && (errno == ENOENT || errno == ECONNREFUSED);
  ::close(fd);
  return !nobody;
}

Result<Answer> ask_once(const std::filesystem::path& socket, const nlohmann::json& request, Duration deadline) {
  auto client = ControlClient::connect(socket, deadline);
  if (!client) return client.error();
  return client.value().ask(request, deadline);
}

}  // namespace nightwell::cli

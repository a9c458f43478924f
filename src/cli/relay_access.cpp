#include "cli/relay_access.hpp"

#include <poll.h>
#include <unistd.h>

#include <ctime>

#include "cli/wording.hpp"

namespace nightwell::cli {
namespace {

std::string formatted(std::time_t at, const char* format) {
  std::tm broken_down{};
  char text[40] = "";
  ::gmtime_r(&at, &broken_down);
  std::strftime(text, sizeof text, format, &broken_down);
  return text;
}

remote::Wake wait_or_leave(Signals& signals, int fd, short events, Duration longest) {
  // Standard output for its end alone.
  pollfd waiting[3] = {{signals.fd(), POLLIN, 0}, {STDOUT_FILENO, 0, 0}, {fd, events, 0}};
  const auto milliseconds = std::chrono::ceil<std::chrono::milliseconds>(longest).count();
  const int woke = ::poll(waiting, 3, static_cast<int>(milliseconds));
  if (waiting[0].revents != 0 && signals.take() != 0) return remote::Wake::leave;
  if ((waiting[1].revents & (POLLERR | POLLHUP)) != 0) return remote::Wake::leave;
  return woke > 0 && waiting[2].revents != 0 ? remote::Wake::ready : remote::Wake::time_up;
}

}  // namespace

std::string utc_now_text() {
  return formatted(std::time(nullptr), "%Y-%m-%d %H:%M:%SZ");
}

std::string utc_day_text(std::time_t at) {
  return formatted(at, "%Y-%m-%d");
}

RelayAccess::RelayAccess(remote::FollowerFile file, remote::Address at)
    : file_(std::move(file)), at_(std::move(at)), signals_(std::make_shared<Signals>(leaving_signals)) {
  wait_ = std::make_shared<remote::Wait>([signals = signals_](int fd, short events, Duration longest) {
    return wait_or_leave(*signals, fd, events, longest);
  });
}

Result<RelayAccess> RelayAccess::open(const std::string& file, const std::string& at) {
  auto follower = remote::read_follower_file(file);
  if (!follower) return follower.error();
  auto address = at.empty() ? follower->relay : remote::parse_address(at);
  if (!address)
    return Error{Errc::bad_input, "reading --at", "a host and a port, lab.example.org:7440 or [2001:db8::7]:7440", at};
  return RelayAccess(std::move(follower).value(), std::move(*address));
}

void RelayAccess::warn(const std::string& whose, const remote::CertificateFacts& facts) {
  const int left = facts.days_left(std::time(nullptr));
  if (left <= remote::warn_days)
    tell(whose + " is valid until " + utc_day_text(facts.until) + ", " + std::to_string(left) +
         (left == 1 ? " day more" : " days more"));
}

remote::RelayConnection::Made RelayAccess::connect() {
  const std::time_t now = std::time(nullptr);
  const auto not_now = [](std::string text) {
    return remote::Trouble{remote::Trouble::Kind::identity, std::move(text)};
  };
  if (file_.facts.expired(now))
    return not_now("this follower's certificate (" + file_.name + ") expired on " + utc_day_text(file_.facts.until) +
                   ": ask the lab for a new file (nightwell keys follower)");
  if (file_.facts.from > now)
    return not_now("this follower's certificate (" + file_.name + ") is not valid before " +
                   utc_day_text(file_.facts.from) + ": is the clock of this computer right?");
  if (file_.authority_facts.expired(now))
    return not_now("the authority in the follower's file expired on " + utc_day_text(file_.authority_facts.until) +
                   ": the lab must make everything anew (nightwell keys relay)");
  if (!std::exchange(warned_own_, true)) warn("this follower's certificate (" + shown(file_.name) + ")", file_.facts);
  auto made = remote::RelayConnection::connect(file_, at_, *wait_);
  if (const auto* connection = std::get_if<remote::RelayConnection>(&made);
      connection != nullptr && !std::exchange(warned_relay_, true))
    warn("the relay's certificate", connection->relay());
  return made;
}

bool RelayAccess::pause(Duration longest) {
  return (*wait_)(-1, 0, longest) != remote::Wake::leave;
}

}  // namespace nightwell::cli

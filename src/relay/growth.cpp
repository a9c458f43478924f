#include "relay/growth.hpp"

#include <sys/inotify.h>

#include <algorithm>
#include <asio/buffer.hpp>
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <asio/redirect_error.hpp>
#include <asio/use_awaitable.hpp>
#include <chrono>
#include <cstring>
#include <string_view>

namespace nightwell::relay {

namespace {

// The numbers of the folders that events tell of.
std::set<int> folders_in(std::string_view events) {
  std::set<int> out;
  inotify_event event{};
  while (events.size() >= sizeof event) {
    std::memcpy(&event, events.data(), sizeof event);
    out.insert(event.wd);
    events.remove_prefix(std::min(events.size(), sizeof event + event.len));
  }
  return out;
}

}  // namespace

bool Growth::open() {
  const int descriptor = ::inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
  if (descriptor < 0) return false;
  asio::error_code error;
  changes_.assign(descriptor, error);
  return !error;
}

void Growth::start(asio::io_context& io) {
  if (changes_.is_open()) asio::co_spawn(io, read_changes(), asio::detached);
  asio::co_spawn(io, look_each_second(), asio::detached);
}

void Growth::stop() {
  stopped_ = true;
  asio::error_code ignored;
  changes_.close(ignored);
  second_.cancel();
}

Growth::Watch::Watch(Growth& growth, const std::filesystem::path& folder, asio::steady_timer& wake)
    : growth_(growth), wake_(wake), number_(-1) {
  if (growth.changes_.is_open())
    number_ = ::inotify_add_watch(growth.changes_.native_handle(), folder.c_str(), IN_MODIFY | IN_CREATE | IN_MOVED_TO);
  growth.waiting_[number_].insert(&wake);
}

Growth::Watch::~Watch() {
  const auto found = growth_.waiting_.find(number_);
  if (found == growth_.waiting_.end()) return;
  found->second.erase(&wake_);
  if (!found->second.empty()) return;
  growth_.waiting_.erase(found);
  if (number_ >= 0 && growth_.changes_.is_open()) ::inotify_rm_watch(growth_.changes_.native_handle(), number_);
}

void Growth::wake(int number) {
  const auto found = waiting_.find(number);
  if (found == waiting_.end()) return;
  for (auto* timer : found->second) timer->cancel();
}

asio::awaitable<void> Growth::read_changes() {
  char bytes[4096];
  const auto room = asio::buffer(bytes);
  while (!stopped_) {
    asio::error_code error;
    const std::size_t got = co_await changes_.async_read_some(room, asio::redirect_error(asio::use_awaitable, error));
    if (error) co_return;  // the look once a second goes on
    const auto changed = folders_in({bytes, got});
    for (const int number : changed) wake(number);
  }
}

asio::awaitable<void> Growth::look_each_second() {
  while (!stopped_) {
    second_.expires_after(std::chrono::seconds(1));
    asio::error_code error;
    co_await second_.async_wait(asio::redirect_error(asio::use_awaitable, error));
    for (auto& [number, timers] : waiting_)
      for (auto* timer : timers) timer->cancel();
  }
}

}  // namespace nightwell::relay

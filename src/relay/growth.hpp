// Wakes whoever waits for a run's folder to change: by inotify(7), at once; and once a second whatever happens, for file systems that
// tell nobody (shares), and where the system gives no inotify.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <asio/posix/stream_descriptor.hpp>
#include <asio/steady_timer.hpp>
#include <filesystem>
#include <map>
#include <set>

namespace nightwell::relay {

class Growth {
 public:
  explicit Growth(asio::io_context& io) : changes_(io), second_(io) {}

  // False: this system tells nobody, and the look once a second is all there is.
  bool open();
  void start(asio::io_context& io);
  void stop();

  // While it lives, `wake` is cancelled when something may have changed in the folder.
  class Watch {
   public:
    Watch(Growth& growth, const std::filesystem::path& folder, asio::steady_timer& wake);
    Watch(const Watch&) = delete;
    Watch& operator=(const Watch&) = delete;
    ~Watch();

   private:
    Growth& growth_;
    asio::steady_timer& wake_;
    int number_;
  };

 private:
  asio::awaitable<void> read_changes();
  asio::awaitable<void> look_each_second();
  void wake(int number);

  asio::posix::stream_descriptor changes_;
  asio::steady_timer second_;
  bool stopped_ = false;
  std::map<int, std::set<asio::steady_timer*>> waiting_;  // by inotify's number of the folder; -1: it has none
};

}  // namespace nightwell::relay

// Switches off what a run left on that nothing closed.
//
// Where a daemon dies, its guardians switch off and leave. Where they die with it (a computer that loses power, a service manager
// that kills every process), the source goes on with its last setpoint: the next daemon starts another guardian for it, from what
// the first one was told (guardian/setup_file.hpp), that parks the source and does nothing else. While a guardian of that run still
// lives, it is waited for, and after 60 looks a person is told. One that dies too is followed by another, three in all; then it is a person's work.
//
// What happens is in the daemon's log. The run's journal is not touched: it counts as far as it goes.
// Thread: the io_context's one thread.
#pragma once

#include <asio/io_context.hpp>
#include <asio/steady_timer.hpp>
#include <chrono>
#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "nightwell/port.hpp"
#include "nightwell/result.hpp"

namespace nightwell::daemon {

class LeftHeat {
 public:
  // `not_off`: told once a source, when it has not read back as off: the run, and a sentence that names the source.
  LeftHeat(asio::io_context& io, std::filesystem::path guardian,
           std::function<void(const std::string& run, const std::string& text)> not_off,
           std::chrono::milliseconds between_looks = std::chrono::seconds(1));
  ~LeftHeat();
  LeftHeat(const LeftHeat&) = delete;
  LeftHeat& operator=(const LeftHeat&) = delete;

  // From now on looks after this source of the run in `folder`, until it is off. Errors: as guardian::kept_setup().
  [[nodiscard]] Result<void> take(const std::string& run, const std::filesystem::path& folder,
                                  const std::string& source);

  // What is done by now is let go of; what can be begun is begun. Called by itself between waits.
  void look();

  // The run whose source at this port is not off yet.
  [[nodiscard]] std::optional<std::string> run_at(const Port& port) const;

 private:
  struct Source;
  void look_after(std::chrono::milliseconds pause);

  asio::io_context& io_;
  std::filesystem::path guardian_;
  std::function<void(const std::string&, const std::string&)> not_off_;
  std::chrono::milliseconds between_looks_;
  asio::steady_timer timer_;
  std::vector<std::unique_ptr<Source>> sources_;
};

}  // namespace nightwell::daemon

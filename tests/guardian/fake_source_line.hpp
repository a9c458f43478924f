// A heat source on a pseudo-terminal, speaking just enough SCPI, with faults that a test can switch on. It runs on the
// test's io_context and keeps a log of what it was told.
#pragma once

#include <fcntl.h>
#include <stdlib.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <asio/buffer.hpp>
#include <asio/io_context.hpp>
#include <asio/posix/stream_descriptor.hpp>
#include <asio/steady_timer.hpp>
#include <charconv>
#include <stdexcept>
#include <string>
#include <string_view>
#include <vector>

namespace nightwell::guardian::test {

class FakeSourceLine {
 public:
  explicit FakeSourceLine(asio::io_context& io) : master_(io), again_(io) {
    const int master = ::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (master < 0 || ::grantpt(master) != 0 || ::unlockpt(master) != 0) throw std::runtime_error("no pty");
    path = ::ptsname(master);
    ::fcntl(master, F_SETFL, O_NONBLOCK);
    master_.assign(master);
    listen();
  }

  std::string path;
  double target_c = 25;
  bool output = false;
  bool silent = false;            // hears nothing, says nothing
  bool refuses_off = false;       // puts an entry in its error queue
  std::vector<std::string> told;  // settings, in order

  [[nodiscard]] bool was_told(std::string_view what) const {
    return std::find(told.begin(), told.end(), what) != told.end();
  }

 private:
  void listen() {
    master_.async_read_some(asio::buffer(buffer_), [this](const asio::error_code& error, std::size_t size) {
      if (error == asio::error::operation_aborted) return;
      if (error) return listen_later();  // nobody holds the other end
      if (!silent) hear(std::string_view(buffer_.data(), size));
      listen();
    });
  }
  void listen_later() {
    again_.expires_after(std::chrono::milliseconds(5));
    again_.async_wait([this](const asio::error_code& error) {
      if (!error) listen();
    });
  }
  void hear(std::string_view bytes) {
    held_ += bytes;
    for (auto end = held_.find('\n'); end != std::string::npos; end = held_.find('\n')) {
      obey(held_.substr(0, end));
      held_.erase(0, end + 1);
    }
  }
  void obey(const std::string& line) {
    static constexpr std::string_view setpoint = "SOURce:TEMPerature:SPOint ";
    if (line == "*IDN?") return say("Cold Store,Bath,7,1.0");
    if (line == "SYSTem:ERRor?") return say(std::exchange(error_, "0,\"No error\""));
    if (line == "SOURce:TEMPerature:SPOint?") return say(text(target_c));
    if (line == "MEASure:TEMPerature?") return say(output ? text(target_c) : "22");
    if (line == "OUTPut:STATe?") return say(output ? "1" : "0");
    if (line == "*CLS") return;
    told.push_back(line);
    if (line == "OUTPut:STATe ON") {
      output = true;
    } else if (line == "OUTPut:STATe OFF") {
      if (refuses_off)
        error_ = "-221,\"Settings conflict\"";
      else
        output = false;
    } else if (line.starts_with(setpoint)) {
      std::from_chars(line.data() + setpoint.size(), line.data() + line.size(), target_c);
    } else {
      error_ = "-113,\"Undefined header\"";
    }
  }
  void say(const std::string& reply) {
    const std::string line = reply + "\n";
    [[maybe_unused]] const auto written = ::write(master_.native_handle(), line.data(), line.size());
  }
  static std::string text(double value) {
    char buffer[64];
    return {buffer, std::to_chars(buffer, buffer + sizeof buffer, value).ptr};
  }

  asio::posix::stream_descriptor master_;
  asio::steady_timer again_;
  std::array<char, 1024> buffer_{};
  std::string held_;
  std::string error_ = "0,\"No error\"";
};

}  // namespace nightwell::guardian::test

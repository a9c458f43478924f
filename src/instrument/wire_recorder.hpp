// Writes the conversation on one line down while it happens, as a wire log that tests and the simulated bench can play
// (docs/drivers.md, "Wire logs").
//
// What is known when: the program's bytes when they are sent, the instrument's when they are read. Bytes, or an unplugging,
// that lay there when the program looked had come at some time since it looked last: they are written in the middle of that
// time. Bytes that a busy machine read behind the deadline for them were in time for the program: they are written at the deadline.
// Times are the host's, real time, in whole milliseconds, however fast a demo night runs.
//
// Errors: none; a log that cannot be written loses lines and says how many (log_writer.hpp). One thread.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <string_view>

#include "instrument/deadline.hpp"
#include "instrument/scanner.hpp"

namespace nightwell::instrument {

class WireRecorder {
 public:
  // Where lines go, and the time. Tests have their own.
  struct World {
    std::function<void(std::string_view line)> write;
    std::function<bool(std::chrono::milliseconds patience)> finish;
    std::function<SteadyTime()> now;
    std::function<std::string()> utc;
  };
  // Begins with the header: what is recorded, and the connection's settings.
  WireRecorder(const ConnectionSettings& settings, World world);

  // ---- the program's calls, in the words of wire logs: "read 101 resistance"; "100.5", "error no_answer". One that ends as
  // port_gone because the port was closed under it was cut short and has no result: a remark says so.
  void called(std::string_view call);
  void gave(std::string_view result);
  void remark(std::string_view text);

  // ---- the line
  void sent(std::string_view bytes);
  void not_sent(std::string_view bytes, const Error& error);   // all, a part, or nothing of it went out
  void received(std::string_view bytes, SteadyTime deadline);  // waited for until then
  void found(std::string_view bytes);                          // lay there, read without waiting
  void opened();
  void not_opened(const Error& error);
  void hung_up(bool lay_there);
  void closed();

  // Ends it; waits at most so long until all is written. False: it was not.
  bool finish(std::chrono::milliseconds patience) { return world_.finish(patience); }

 private:
  void line(std::string_view mark, std::string_view text);
  void stamp();
  void wait_until(SteadyTime moment);
  [[nodiscard]] SteadyTime middle_since_spoken() const;

  World world_;
  SteadyTime spoke_{};   // the last event on the line, as written
  SteadyTime rested_{};  // the end of the last call
  SteadyTime stamped_{};
  SteadyTime tried_{};  // the last time that opening failed
  bool was_opened_ = false, unplugged_ = false, any_call_ = false;
  bool closed_since_called_ = false;
};

// The recorder that the settings' `wire_log` asks for; none where it is empty.
[[nodiscard]] std::shared_ptr<WireRecorder> make_recorder(const ConnectionSettings& settings);

}  // namespace nightwell::instrument

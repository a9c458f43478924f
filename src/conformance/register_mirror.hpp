// An instrument made of a register map: the registers that the dialect names, behind a Modbus server in memory, so that the file
// can be tried without its instrument. This proves that the file agrees with itself, and nothing about the instrument.
//
// It has a temperature near 23 °C that does not follow its target, a target of 7 K above it, and an output that is off; its identity
// shows what the dialect demands. A register that is written reads back as it was written. Where the map reads the target, the
// output or the proof of a step elsewhere, that register follows the write. So a target that is written one way and read another
// at one and the same address shows, and a word order that is wrong in both places does not. All other addresses are illegal.
//
// Pure but for refuse_next(), which may be called from another thread. Never fails: a value that the map's own type cannot carry
// is not shown.
#pragma once

#include <atomic>
#include <memory>
#include <string>
#include <string_view>

#include "dialect/dialect.hpp"
#include "modbus/server.hpp"

namespace nightwell::conformance {

class RegisterMirror {
 public:
  // A dialect with registers.
  explicit RegisterMirror(std::shared_ptr<const dialect::Dialect> dialect);
  // Its server refers to it.
  RegisterMirror(const RegisterMirror&) = delete;
  RegisterMirror& operator=(const RegisterMirror&) = delete;

  // The bytes that come back for these.
  [[nodiscard]] std::string hear(std::string_view bytes);
  // The next request but for the identity is answered by exception 3, illegal data value.
  void refuse_next() { refusing_ = true; }

 private:
  void come_up();
  void show_identity();
  void show_target(double t_c);
  void show_output(bool on);
  void follow(const modbus::WriteRequest& write);
  [[nodiscard]] int exception_to(const modbus::Request& request);

  std::shared_ptr<const dialect::Dialect> dialect_;
  modbus::Server server_;
  std::string received_;
  std::atomic<bool> refusing_ = false;
};

}  // namespace nightwell::conformance

// Settings for tests with the real process: real time, short, and patient enough for a loaded machine.
#pragma once

#include <string>

#include "guardian/client.hpp"
#include "night.hpp"

namespace nightwell::guardian::test {

inline Settings process_settings(const std::string& program, const std::string& pty, const std::string& log) {
  Settings settings;
  settings.connection.name = "bath";
  settings.connection.driver = "scpi-source";
  settings.connection.port = PtyPort{pty};
  settings.connection.reply = from_seconds(0.3);
  settings.connection.identity = "Bath";
  settings.limits = cold_store_limits();
  settings.limits.lease = from_seconds(3);
  settings.limits.poll = from_seconds(0.2);
  settings.limits.stale = from_seconds(2);
  settings.speed = 1;
  settings.program = program;
  settings.log = log;
  return settings;
}

}  // namespace nightwell::guardian::test

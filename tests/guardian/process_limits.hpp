// Settings for tests with the real process, on real time: patient, so that a machine which does nothing for a few seconds ends no
// lease, and longer than any test waits: where a park is awaited, it is for what the test did. And brief, for tests that wait for
// the end of a lease, or for a source that says nothing.
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
  settings.limits.lease = from_seconds(60);
  settings.limits.poll = from_seconds(0.2);
  settings.limits.stale = from_seconds(50);
  settings.speed = 1;
  settings.program = program;
  settings.log = log;
  return settings;
}

inline Settings brief(Settings settings) {
  settings.limits.lease = from_seconds(3);
  settings.limits.stale = from_seconds(2);
  return settings;
}

}  // namespace nightwell::guardian::test

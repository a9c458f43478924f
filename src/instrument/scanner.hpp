// What every instrument's connection needs, whatever speaks on it. The interface of scanners itself is public:
// nightwell/instrument/scanner.hpp.
#pragma once

#include <asio/awaitable.hpp>
#include <asio/io_context.hpp>
#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "nightwell/driver_program.hpp"
#include "nightwell/instrument/reading.hpp"
#include "nightwell/instrument/scanner.hpp"
#include "nightwell/port.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::instrument {

class WireRecorder;

struct ConnectionSettings {
  std::string name;    // the instrument's name on the bench, for errors
  std::string driver;  // a name the registry knows
  Port port;
  Duration reply{};            // deadline from the last byte sent to the whole reply
  std::string identity;        // must be contained in the identity; empty: any
  std::string dialect = "";    // driver "dialect" only: the dialect's JSON, as the plan froze it
  DriverProgram program = {};  // driver "program" only
  // Driver "program" only: a line for whoever looks after this process, printable; empty: standard error.
  std::function<void(const std::string&)> note = {};
  std::string wire_log = "";  // the file in which the conversation is written down; empty: nowhere
  std::shared_ptr<WireRecorder> recorder = nullptr;  // that writes it (make_recorder); not sent to another process
};

}  // namespace nightwell::instrument

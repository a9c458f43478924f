// nightwell drivers check, as a part of the group of commands.
#pragma once

#include <vector>

#include "dialect/dialect.hpp"
#include "nightwell/instrument/reading.hpp"

namespace CLI {
class App;
}

namespace nightwell::cli {

struct Context;

void add_drivers_check(CLI::App& drivers, Context& context);
// Two channels that a scanner's dialect can write and a quantity that it can read; fewer where it has no more.
[[nodiscard]] std::vector<instrument::ChannelSetup> example_channels(const dialect::Dialect& dialect);

}  // namespace nightwell::cli

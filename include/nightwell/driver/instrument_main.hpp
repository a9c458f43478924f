// The main of a driver program that is no codec on a line: a Scanner or a HeatSource of its own, asynchronous on one io_context.
// The rest is as in nightwell/driver/main.hpp. A call that is cancelled must end; one that does not ends with the process.
#pragma once

#include <asio/io_context.hpp>
#include <functional>
#include <memory>

#include "nightwell/driver/main.hpp"
#include "nightwell/instrument/heat_source.hpp"
#include "nightwell/instrument/scanner.hpp"

namespace nightwell::driver {

template <class Made>
using InstrumentMaker = std::function<Result<std::unique_ptr<Made>>(asio::io_context&, const Given&)>;

[[nodiscard]] int run_scanner(const About& about, const InstrumentMaker<instrument::Scanner>& make);
[[nodiscard]] int run_heat_source(const About& about, const InstrumentMaker<instrument::HeatSource>& make);

}  // namespace nightwell::driver

// The main of a driver program that is made of a codec (nightwell/instrument/codec.hpp): everything that is hard about a line is
// done by the line engine, and everything that the host asks of a driver program (docs/driver-programs.md) by this: greeting,
// version, deadlines, typed errors, and the end of standard input, at which a heat source is switched off and proved off.
//
//   int main() { return nightwell::driver::run_scanner<MyScanner>({"my-scanner", "1"}); }
//
// What the codec prints goes to standard error, and so into the host's log: standard output belongs to the protocol.
// Exit codes: 0; 1 where a heat source could not be proved off; 2 where the host does not keep to the protocol.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "nightwell/instrument/codec.hpp"
#include "nightwell/port.hpp"
#include "nightwell/result.hpp"
#include "nightwell/time.hpp"

namespace nightwell::driver {

// What the driver says of itself. Raise the revision with each change: the host's log has it.
struct About {
  std::string name, revision;
};

// What the host says of the instrument, as it stands in the bench file.
struct Given {
  std::string instrument;  // its name on the bench, for errors
  Port port;               // the driver opens it
  Duration reply{};        // how long one answer of the instrument may take
  std::string identity;    // what its identity must contain; empty: any
};

// An error (bad_input) where a port of that kind, say, will not do.
template <class Made>
using Maker = std::function<Result<std::unique_ptr<Made>>(const Given&)>;

[[nodiscard]] int run_scanner(const About& about, const Maker<instrument::ScannerCodec>& make);
[[nodiscard]] int run_heat_source(const About& about, const Maker<instrument::HeatSourceCodec>& make);

template <class CodecType>
[[nodiscard]] int run_scanner(const About& about) {
  return run_scanner(about, [](const Given&) -> Result<std::unique_ptr<instrument::ScannerCodec>> {
    return std::unique_ptr<instrument::ScannerCodec>(std::make_unique<CodecType>());
  });
}

template <class CodecType>
[[nodiscard]] int run_heat_source(const About& about) {
  return run_heat_source(about, [](const Given&) -> Result<std::unique_ptr<instrument::HeatSourceCodec>> {
    return std::unique_ptr<instrument::HeatSourceCodec>(std::make_unique<CodecType>());
  });
}

}  // namespace nightwell::driver

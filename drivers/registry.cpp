#include "drivers/registry.hpp"

#include <memory>
#include <utility>

#include "instrument/line_heat_source.hpp"
#include "instrument/line_scanner.hpp"
#include "scpi_scanner.hpp"
#include "scpi_source.hpp"

namespace nightwell::drivers {

using namespace instrument;

namespace {

template <class CodecType>
std::unique_ptr<Scanner> make_scanner(asio::io_context& io, ConnectionSettings settings) {
  return std::make_unique<LineScanner>(io, std::move(settings), std::make_unique<CodecType>());
}

template <class CodecType>
std::unique_ptr<HeatSource> make_source(asio::io_context& io, ConnectionSettings settings) {
  return std::make_unique<LineHeatSource>(io, std::move(settings), std::make_unique<CodecType>());
}

}  // namespace

Registry registry() {
  Registry list;
  list.scanners.emplace("scpi-scanner", make_scanner<ScpiScanner>);
  list.sources.emplace("scpi-source", make_source<ScpiSource>);
  return list;
}

}  // namespace nightwell::drivers

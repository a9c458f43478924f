#include "drivers/registry.hpp"

#include <memory>
#include <utility>

#include "dialect/codec.hpp"
#include "dialect/read_dialect.hpp"
#include "instrument/line_heat_source.hpp"
#include "instrument/line_scanner.hpp"
#include "scpi_scanner.hpp"
#include "scpi_source.hpp"

namespace nightwell::drivers {

using namespace instrument;

namespace {

template <class CodecType>
Result<std::unique_ptr<Scanner>> make_scanner(asio::io_context& io, ConnectionSettings settings) {
  return std::unique_ptr<Scanner>(
      std::make_unique<LineScanner>(io, std::move(settings), std::make_unique<CodecType>()));
}

template <class CodecType>
Result<std::unique_ptr<HeatSource>> make_source(asio::io_context& io, ConnectionSettings settings) {
  return std::unique_ptr<HeatSource>(
      std::make_unique<LineHeatSource>(io, std::move(settings), std::make_unique<CodecType>()));
}

Result<std::shared_ptr<const dialect::Dialect>> dialect_for(const ConnectionSettings& settings, dialect::Role role) {
  auto read = dialect::dialect_from(settings.dialect);
  if (read && (*read)->role != role)
    return Error{Errc::bad_input, "reading a dialect", "it is for the other kind of instrument", settings.name};
  return read;
}

Result<std::unique_ptr<Scanner>> make_dialect_scanner(asio::io_context& io, ConnectionSettings settings) {
  auto read = dialect_for(settings, dialect::Role::scanner);
  if (!read) return read.error();
  auto codec = std::make_unique<dialect::DialectScanner>(std::move(read).value());
  return std::unique_ptr<Scanner>(std::make_unique<LineScanner>(io, std::move(settings), std::move(codec)));
}

Result<std::unique_ptr<HeatSource>> make_dialect_source(asio::io_context& io, ConnectionSettings settings) {
  auto read = dialect_for(settings, dialect::Role::heat_source);
  if (!read) return read.error();
  auto codec = std::make_unique<dialect::DialectSource>(std::move(read).value());
  return std::unique_ptr<HeatSource>(std::make_unique<LineHeatSource>(io, std::move(settings), std::move(codec)));
}

}  // namespace

Registry registry() {
  Registry list;
  list.scanners.emplace("scpi-scanner", make_scanner<ScpiScanner>);
  list.sources.emplace("scpi-source", make_source<ScpiSource>);
  list.scanners.emplace(dialect_driver, make_dialect_scanner);
  list.sources.emplace(dialect_driver, make_dialect_source);
  list.about = {{"scpi-scanner", "scanners that speak plain SCPI-1999: one MEASure? query a reading"},
                {"scpi-source", "heat sources that speak plain SCPI-1999: setpoint, output, temperature"},
                {dialect_driver, "instruments that a JSON file describes (docs/dialects.md)"}};
  list.sends = {{"scpi-scanner",
                 "*IDN?  *CLS  SYSTem:ERRor?  and for channel n: MEASure:VOLTage:DC? (@n)  MEASure:FRESistance? (@n)  "
                 "MEASure:CURRent:DC? (@n)  MEASure:TEMPerature? (@n)"},
                {"scpi-source",
                 "*IDN?  *CLS  SYSTem:ERRor?  SOURce:TEMPerature:SPOint <°C>  SOURce:TEMPerature:SPOint?  "
                 "OUTPut:STATe ON|OFF  OUTPut:STATe?  MEASure:TEMPerature?"}};
  return list;
}

}  // namespace nightwell::drivers

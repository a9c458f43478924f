#include "drivers/registry.hpp"

#include <memory>
#include <utility>

#include "dialect/codec.hpp"
#include "dialect/read_dialect.hpp"
#include "instrument/line_heat_source.hpp"
#include "instrument/line_scanner.hpp"
#include "instrument/recording_calls.hpp"
#include "modbus/source.hpp"
#include "program/program_heat_source.hpp"
#include "program/program_scanner.hpp"
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
  std::unique_ptr<HeatSourceCodec> codec;
  if ((*read)->registers)
    codec = std::make_unique<modbus::ModbusSource>(*read, modbus::frame_silence(settings.port));
  else
    codec = std::make_unique<dialect::DialectSource>(*read);
  return std::unique_ptr<HeatSource>(std::make_unique<LineHeatSource>(io, std::move(settings), std::move(codec)));
}

// A driver program, as far as the settings name one.
template <class Made, class Face>
Result<std::unique_ptr<Face>> make_program(asio::io_context& io, ConnectionSettings settings) {
  if (settings.program.path.empty())
    return Error{Errc::bad_input, "starting a driver's program", "the settings name none", settings.name};
  return std::unique_ptr<Face>(std::make_unique<Made>(io, std::move(settings)));
}

// Whatever the driver: its calls are written down where the settings have a recorder; its bytes are by its wire.
template <class Made>
auto noting(std::function<Result<std::unique_ptr<Made>>(asio::io_context&, ConnectionSettings)> make) {
  return [make = std::move(make)](asio::io_context& io, ConnectionSettings settings) -> Result<std::unique_ptr<Made>> {
    const auto recorder = settings.recorder;
    auto made = make(io, std::move(settings));
    if (!made || !recorder) return made;
    return recorded(std::move(made).value(), recorder);
  };
}

Registry with_recording(Registry list) {
  for (auto& [driver, make] : list.scanners) make = noting<Scanner>(std::move(make));
  for (auto& [driver, make] : list.sources) make = noting<HeatSource>(std::move(make));
  return list;
}

}  // namespace

Registry registry() {
  Registry list;
  list.scanners.emplace("scpi-scanner", make_scanner<ScpiScanner>);
  list.sources.emplace("scpi-source", make_source<ScpiSource>);
  list.scanners.emplace(dialect_driver, make_dialect_scanner);
  list.sources.emplace(dialect_driver, make_dialect_source);
  list.scanners.emplace(program_driver, make_program<program::ProgramScanner, Scanner>);
  list.sources.emplace(program_driver, make_program<program::ProgramHeatSource, HeatSource>);
  list.about = {{"scpi-scanner", "scanners that speak plain SCPI-1999: one MEASure? query a reading"},
                {"scpi-source", "heat sources that speak plain SCPI-1999: setpoint, output, temperature"},
                {dialect_driver, "instruments that a JSON file describes (docs/dialects.md)"},
                {program_driver, "instruments that a program of their own speaks to (docs/driver-programs.md)"}};
  list.sends = {{"scpi-scanner",
                 "*IDN?  *CLS  SYSTem:ERRor?  and for channel n: MEASure:VOLTage:DC? (@n)  MEASure:FRESistance? (@n)  "
                 "MEASure:CURRent:DC? (@n)  MEASure:TEMPerature? (@n)"},
                {"scpi-source",
                 "*IDN?  *CLS  SYSTem:ERRor?  SOURce:TEMPerature:SPOint <°C>  SOURce:TEMPerature:SPOint?  "
                 "OUTPut:STATe ON|OFF  OUTPut:STATe?  MEASure:TEMPerature?"}};
  return with_recording(std::move(list));
}

}  // namespace nightwell::drivers

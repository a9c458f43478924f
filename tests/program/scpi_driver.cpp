// The shipped SCPI codecs as driver programs: scpi_driver scanner | source.
#include <string_view>

#include "drivers/scpi_scanner.hpp"
#include "drivers/scpi_source.hpp"
#include "nightwell/driver/main.hpp"

int main(int count, char** arguments) {
  using namespace nightwell;
  if (count == 2 && std::string_view(arguments[1]) == "scanner")
    return driver::run_scanner<drivers::ScpiScanner>({"scpi-scanner", "1"});
  return driver::run_heat_source<drivers::ScpiSource>({"scpi-source", "1"});
}

// nightwell-guardian: the process that alone may heat one source. Started by nightwelld.
#include "drivers/registry.hpp"
#include "guardian/run.hpp"
#include "journal/standard_descriptors.hpp"

int main() {
  nightwell::open_standard_descriptors();
  return nightwell::guardian::run(nightwell::drivers::registry());
}

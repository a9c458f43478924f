// nightwell-guardian: the process that alone may heat one source. Started by nightwelld.
#include "drivers/registry.hpp"
#include "guardian/run.hpp"

int main() {
  return nightwell::guardian::run(nightwell::drivers::registry());
}

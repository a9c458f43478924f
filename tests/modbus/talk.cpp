// One conversation with whatever is behind a port, as a dialect file says it: for tests against servers of others.
// usage: modbus_talk DIALECT_FILE tcp:PORT|PTY_PATH TARGET_C. Prints what each call gave, one a line; exit 1 where one failed.
#include <asio/co_spawn.hpp>
#include <asio/detached.hpp>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <sstream>

#include "drivers/registry.hpp"
#include "instrument/open_port.hpp"

namespace {

using namespace nightwell;
using namespace nightwell::instrument;

int failures = 0;

void tell(const char* what, const std::string& text, bool ok) {
  std::printf("%s %s\n", what, text.c_str());
  failures += ok ? 0 : 1;
}
void tell(const char* what, const Result<double>& t_c) {
  tell(what, t_c ? std::to_string(*t_c) : t_c.error().text(), t_c.ok());
}
void tell(const char* what, const Result<bool>& on) {
  tell(what, !on ? on.error().text() : *on ? "on" : "off", on.ok());
}
void tell(const char* what, const Result<void>& done) {
  tell(what, done ? "done" : done.error().text(), done.ok());
}
void tell(const char* what, const Result<Identity>& identity) {
  tell(what, identity ? identity->text : identity.error().text(), identity.ok());
}

asio::awaitable<void> converse(HeatSource& source, double target_c) {
  const auto identity = co_await source.identify();
  tell("identity", identity);
  const auto temperature = co_await source.read_temperature();
  tell("temperature", temperature);
  const auto set = co_await source.set_target(target_c);
  tell("set_target", set);
  const auto target = co_await source.read_target();
  tell("target", target);
  const auto on = co_await source.set_output(true);
  tell("output_on", on);
  const auto is_on = co_await source.read_output();
  tell("output", is_on);
  const auto off = co_await source.set_output(false);
  tell("output_off", off);
  const auto is_off = co_await source.read_output();
  tell("output", is_off);
  source.close();
}

}  // namespace

int main(int count, char** arguments) {
  if (count != 4) return 2;
  ignore_sigpipe();
  std::ifstream file(arguments[1]);
  std::ostringstream text;
  text << file.rdbuf();
  ConnectionSettings settings;
  settings.name = "the controller";
  settings.driver = dialect_driver;
  settings.dialect = text.str();
  settings.reply = std::chrono::seconds(2);
  const std::string port = arguments[2];
  if (port.starts_with("tcp:"))
    settings.port = TcpPort{"127.0.0.1", std::atoi(port.c_str() + 4)};
  else
    settings.port = PtyPort{port};
  asio::io_context io{1};
  const auto source = drivers::registry().sources.at(dialect_driver)(io, settings);
  if (!source) {
    std::printf("%s\n", source.error().text().c_str());
    return 1;
  }
  asio::co_spawn(io, converse(**source, std::atoi(arguments[3])), asio::detached);
  io.run();
  return failures > 0 ? 1 : 0;
}

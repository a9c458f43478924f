// A daemon that does nothing but heat: starts a guardian and renews its lease at every report, until it is killed.
// Arguments: the guardian's program, the pseudo-terminal of the source, the log.
#include <asio/io_context.hpp>

#include "guardian/client.hpp"
#include "process_limits.hpp"

int main(int count, char** arguments) {
  if (count != 4) return 2;
  asio::io_context io(1);
  std::unique_ptr<nightwell::guardian::Client> client;
  const auto renew = [&client](const nightwell::guardian::Report& report) {
    if (std::holds_alternative<nightwell::guardian::Ready>(report) ||
        std::holds_alternative<nightwell::guardian::Status>(report))
      client->lease(80, true, 130);
  };
  using namespace nightwell::guardian::test;
  auto started =
      nightwell::guardian::Client::start(io, brief(process_settings(arguments[1], arguments[2], arguments[3])), renew);
  if (!started.ok()) return 1;
  client = std::move(started).value();
  io.run();
  return 0;
}

#include "guardian/run.hpp"

#include <fcntl.h>
#include <sys/socket.h>
#include <unistd.h>

#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <optional>
#include <string>

#include "guardian/protocol.hpp"
#include "guardian/setup_file.hpp"
#include "guardian/shell.hpp"
#include "instrument/wire_recorder.hpp"

namespace nightwell::guardian {
namespace {

constexpr int bad_settings = 2;

void complain(const std::string& text) {
  const std::string line = "nightwell-guardian: " + text + "\n";
  [[maybe_unused]] const auto written = ::write(STDERR_FILENO, line.data(), line.size());
}

// The socket is still blocking here and nothing is guarded yet. One byte a call, so that what follows the
// first line stays in the socket for the shell. Empty: the other end closed.
std::optional<Result<std::string>> first_line() {
  std::string line;
  for (;;) {
    char c = 0;
    const auto size = ::read(socket_file, &c, 1);
    if (size < 0 && errno == EINTR) continue;
    if (size <= 0) return std::nullopt;
    if (c == '\n') return Result<std::string>(std::move(line));
    if (line.size() == longest_line)
      return Result<std::string>(Error{Errc::bad_input, "reading the settings", "the line is too long", ""});
    line += c;
  }
}

Result<Setup> read_setup(const Result<std::string>& line, const instrument::Registry& registry) {
  if (!line.ok()) return line.error();
  Result<Request> request = parse_request(*line);
  if (!request.ok()) return request.error();
  const auto* setup = std::get_if<Setup>(&*request);
  if (!setup) return Error{Errc::bad_input, "reading the settings", "the first line asks for something else", ""};
  if (const auto fine = check(setup->limits); !fine.ok()) return fine.error();
  if (!registry.sources.contains(setup->connection.driver))
    return Error{Errc::not_found, "opening the source", "there is no driver \"" + setup->connection.driver + "\"",
                 setup->connection.name};
  return *setup;
}

int refuse(const Error& error) {
  complain(error.text());
  const std::string line = to_line(Said(Fault{error}));
  [[maybe_unused]] const auto sent = ::send(socket_file, line.data(), line.size(), MSG_NOSIGNAL);
  return bad_settings;
}

// The last lines of a wire log are waited for so long, when all else is done.
constexpr std::chrono::milliseconds wire_log_patience{200};

[[noreturn]] void guard(asio::io_context& io, instrument::HeatSource& source, const Setup& setup) {
  Log log(setup.log);
  if (!log.ok()) complain("the log cannot be opened; going on without it");
  instrument::RunClock clock(io, setup.speed);
  asio::local::stream_protocol::socket daemon(io, asio::local::stream_protocol(), socket_file);
  ShellSettings settings;
  settings.limits = setup.limits;
  settings.longest_call = longest_call(setup.connection.reply);
  // Everything is done by then: the park is proved (or hopeless), the port closed, the last line sent.
  const auto leave = [recorder = setup.connection.recorder](int code) {
    if (recorder) recorder->finish(wire_log_patience);
    std::_Exit(code);
  };
  Shell shell(io, clock, source, log, std::move(daemon), settings, leave);
  shell.start();
  for (;;) {
    try {
      io.run();
      io.restart();
      shell.broken("nothing was left to wait for");
    } catch (const std::exception& e) {
      shell.broken(e.what());
    }
  }
}

}  // namespace

int run(const instrument::Registry& registry) {
  std::signal(SIGPIPE, SIG_IGN);
  std::signal(SIGXFSZ, SIG_IGN);  // a log at its size limit must not end the guardian
  int type = 0;
  socklen_t size = sizeof type;
  if (::getsockopt(socket_file, SOL_SOCKET, SO_TYPE, &type, &size) != 0 || type != SOCK_STREAM) {
    complain("file 3 is no socket: this program is started by nightwelld, not by hand");
    return bad_settings;
  }
  ::fcntl(socket_file, F_SETFD, FD_CLOEXEC);
  const auto line = first_line();
  if (!line) return 0;
  Result<Setup> setup = read_setup(*line, registry);
  if (!setup.ok()) return refuse(setup.error());
  // One that switches off what another one left waits for no disk.
  if (!setup->limits.heated_before)
    if (const auto kept = keep_setup(setup->log, **line); !kept) complain(kept.error().text());
  setup->connection.recorder = instrument::make_recorder(setup->connection);
  asio::io_context io(1);
  const auto source = registry.sources.at(setup->connection.driver)(io, setup->connection);
  if (!source.ok()) return refuse(source.error());
  guard(io, **source, *setup);
}

}  // namespace nightwell::guardian

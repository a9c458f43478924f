// The live view on a real terminal: it shows what the daemon says, follows a resize, and leaves the terminal as it
// was on every way out.
#include <atomic>
#include <catch2/catch.hpp>

#include "fake_daemon.hpp"
#include "program.hpp"
#include "status_example.hpp"

using namespace nightwell::cli_test;
using nlohmann::json;

namespace {

const std::string taken = "\x1b[?1049h";
const std::string given_back = "\x1b[?1049l";

std::string answer(const std::string& name) {
  return yes({{"runs", json::array({status_example(name)})}});
}

void check_terminal_is_back(const OnTerminal& terminal) {
  CHECK(terminal.output().find(taken) != std::string::npos);
  CHECK(terminal.output().rfind(given_back) > terminal.output().rfind(taken));
  CHECK(terminal.output().rfind("\x1b[?25h") > terminal.output().rfind("\x1b[?25l"));  // the cursor
  CHECK(terminal.output().rfind("\x1b[?7h") > terminal.output().rfind("\x1b[?7l"));    // wrapping
  CHECK(terminal.echoes());
}

}  // namespace

TEST_CASE("the view follows the run and ends with it") {
  Folder folder;
  std::atomic<int> asked = 0;
  FakeDaemon daemon(folder.path(), [&asked](const json&) {
    const int n = asked++;
    return answer(n < 2 ? "settle" : n < 3 ? "capture" : "finished");
  });
  OnTerminal terminal(folder.path(), {"watch"});
  CHECK(terminal.read_until("plateau 3 of 6"));
  CHECK(terminal.read_until("2 of 5 done"));
  CHECK(terminal.read_until(given_back));
  CHECK(terminal.finish() == 0);
  check_terminal_is_back(terminal);
  // What remains to be read after the page is gone.
  CHECK(terminal.output().find("finished", terminal.output().rfind(given_back)) != std::string::npos);
  CHECK(daemon.requests()[1]["run"] == "cold-store-20261125-201500");
}

TEST_CASE("a run that did not finish ends the view with 4") {
  Folder folder;
  FakeDaemon daemon(folder.path(), [](const json&) { return answer("parked"); });
  OnTerminal terminal(folder.path(), {"watch"});
  CHECK(terminal.read_until(given_back));
  CHECK(terminal.finish() == 4);
  check_terminal_is_back(terminal);
}

TEST_CASE("leaving the view leaves the run running, and says so") {
  Folder folder;
  FakeDaemon daemon(folder.path(), [](const json&) { return answer("settle"); });
  OnTerminal terminal(folder.path(), {"watch", "cold-store-20261125-201500"});
  REQUIRE(terminal.read_until("closes this view"));
  CHECK_FALSE(terminal.echoes());
  const std::string keys = GENERATE("\x03", "\x1c", "q");  // Ctrl-C, Ctrl-backslash, q
  terminal.type(keys);
  CHECK(terminal.read_until("the run goes on"));
  CHECK(terminal.finish() == 0);
  check_terminal_is_back(terminal);
  for (const json& request : daemon.requests()) CHECK(request["ask"] == "status");
}

TEST_CASE("a resize is followed at once") {
  Folder folder;
  FakeDaemon daemon(folder.path(), [](const json&) { return answer("settle"); });
  OnTerminal terminal(folder.path(), {"watch"});
  REQUIRE(terminal.read_until("for 5 min 11 s"));
  CHECK(terminal.output().find("at 15 °C on bath   for 5 min") != std::string::npos);
  terminal.resize(50, 20);
  // Narrower, the phase moves to a line of its own.
  CHECK(terminal.read_until("           for 5 min 11 s"));
  terminal.type("q");
  CHECK(terminal.finish() == 0);
}

TEST_CASE("a daemon that goes away: the page says that it is old, and the view stays") {
  Folder folder;
  std::atomic<int> asked = 0;
  FakeDaemon daemon(folder.path(), [&asked](const json&) {
    const int n = asked++;
    return n == 1 ? std::string() : answer(n < 3 ? "settle" : "finished");
  });
  OnTerminal terminal(folder.path(), {"watch"});
  CHECK(terminal.read_until("OLD PICTURE"));
  CHECK(terminal.read_until(given_back));
  CHECK(terminal.finish() == 0);
}

TEST_CASE("without a terminal: a block on each change, then the exit code of the run") {
  Folder folder;
  std::atomic<int> asked = 0;
  FakeDaemon daemon(folder.path(), [&asked](const json&) {
    const int n = asked++;
    return answer(n < 3 ? "settle" : "parked");
  });
  const Outcome outcome = run(folder.path(), {"watch"});
  CHECK(outcome.exit == 4);
  CHECK(outcome.out.find('\x1b') == std::string::npos);
  const auto first = outcome.out.find("State      settle");
  REQUIRE(first != std::string::npos);
  CHECK(outcome.out.find("State      settle", first + 1) == std::string::npos);
  CHECK(outcome.out.find("NOT CONFIRMED") != std::string::npos);
}

TEST_CASE("which run to watch must be clear") {
  Folder folder;
  json other = status_example("settle");
  other["run"] = "other";
  const int open = GENERATE(0, 2);
  FakeDaemon daemon(folder.path(), [&](const json&) {
    return yes({{"runs", open == 0 ? json::array() : json::array({status_example("settle"), other})}});
  });
  const Outcome outcome = run(folder.path(), {"watch"});
  CHECK(outcome.exit == (open == 0 ? 3 : 2));
  CHECK(outcome.out.empty());
}

// Every wire log in tests/wirelogs, on a pty and on TCP.
#include "wire_log.hpp"

#include <catch2/catch.hpp>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <future>
#include <map>
#include <set>
#include <sstream>

#include "drivers/registry.hpp"
#include "instrument/open_port.hpp"
#include "wire_log/wire_log.hpp"

namespace nightwell::instrument::test {

namespace {

std::string text_of(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

std::set<std::filesystem::path> wire_logs() {
  std::set<std::filesystem::path> logs;
  const std::filesystem::path folder = std::filesystem::path(NIGHTWELL_SOURCE_DIR) / "tests" / "wirelogs";
  for (const auto& entry : std::filesystem::directory_iterator(folder))
    if (entry.path().extension() == ".log") logs.insert(entry.path());
  return logs;
}

// Conversations are mostly waiting: all are played at the same time, and judged here afterwards.
void check_all(LineKind kind) {
  ignore_sigpipe();
  std::map<std::filesystem::path, std::future<std::vector<std::string>>> played;
  for (const auto& path : wire_logs())
    if (text_of(path).starts_with("# Wire log, hand-written"))
      played.emplace(path, std::async(std::launch::async, play_wire_log, text_of(path), kind));
  REQUIRE(played.size() >= 15);
  for (auto& [path, problems] : played) {
    INFO(path.filename().string());
    CHECK_THAT(text_of(path), Catch::Contains("hand-written") || Catch::Contains("recorded"));
    // Real time: half a second in which the machine does nothing makes a reply late that is not. So what went otherwise is
    // played again, by itself; played in memory, below, every log goes as written at once.
    std::vector<std::string> left = problems.get();
    for (int again = 0; again < 2 && !left.empty(); ++again) left = play_wire_log(text_of(path), kind);
    for (const std::string& problem : left) FAIL_CHECK(problem);
  }
}

}  // namespace

TEST_CASE("every wire log plays as written on a pty", "[wirelog]") {
  check_all(LineKind::pty);
}

TEST_CASE("every wire log plays as written on TCP", "[wirelog]") {
  check_all(LineKind::tcp);
}

TEST_CASE("every wire log plays as written in memory", "[wirelog]") {
  for (const auto& path : wire_logs()) {
    INFO(path.filename().string());
    for (const std::string& problem : play_wire_log_in_memory(text_of(path))) FAIL_CHECK(problem);
  }
}

TEST_CASE("every driver and every dialect of the tree has a wire log by hand", "[wirelog]") {
  std::string settings;
  for (const auto& path : wire_logs())
    if (const auto log = wire_log::parse(text_of(path)); log && !log->recorded)
      settings += " " + log->driver + " " + log->dialect + " ";
  for (const auto& [driver, about] : drivers::registry().about)
    if (driver != program_driver) CHECK_THAT(settings, Catch::Contains(" " + driver + " "));
  const auto dialects = std::filesystem::path(NIGHTWELL_SOURCE_DIR) / "drivers" / "dialects";
  for (const auto& entry : std::filesystem::directory_iterator(dialects))
    CHECK_THAT(settings, Catch::Contains(" " + entry.path().stem().string() + " "));
}

// Called by tests of whole runs (tests/end_to_end): the logs that the run left in a folder.
TEST_CASE("the wire logs of a run play as recorded", "[.replay]") {
  const char* folder = std::getenv("NIGHTWELL_WIRE_LOGS");
  REQUIRE(folder != nullptr);
  for (const auto& entry : std::filesystem::directory_iterator(folder)) {
    INFO(entry.path().filename().string());
    for (const std::string& problem : play_wire_log_in_memory(text_of(entry.path()))) FAIL_CHECK(problem);
  }
}

TEST_CASE("the player notices a conversation that goes otherwise", "[wirelog]") {
  const auto problems = play_wire_log("% driver scpi-scanner\n: identify\n> *RST\\n\n= SB,X,1,1\n", LineKind::pty);
  CHECK(problems.size() >= 2);
  CHECK(play_wire_log_in_memory("% driver scpi-scanner\n: identify\n> *RST\\n\n= SB,X,1,1\n").size() >= 2);
}

}  // namespace nightwell::instrument::test

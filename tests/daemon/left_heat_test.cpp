// What the daemon does with a source that an unclosed run left on; the guardian's program is not run here (the end-to-end faults
// run it).
#include "daemon/left_heat.hpp"

#include <catch2/catch.hpp>
#include <fstream>
#include <optional>

#include "guardian/log.hpp"
#include "guardian/night.hpp"
#include "guardian/setup_file.hpp"
#include "instrument/run_until.hpp"
#include "support/temporary_folder.hpp"

namespace nightwell::daemon::test {

namespace {

using instrument::test::run_until;

constexpr const char* seen_off =
    R"(2026-03-01T20:10:00.300000Z said {"v":1,"say":"parked","cause":"daemon_gone","confirmed":true,"text":"off"})"
    "\n";

// A folder with a run that told its bath to heat, and nothing after it.
struct LeftRun {
  tests::TemporaryFolder folder;
  asio::io_context io{1};
  std::vector<std::string> told;
  LeftHeat left{io, "/nowhere/guardian",
                [this](const std::string& run, const std::string& text) { told.push_back(run + ": " + text); },
                std::chrono::milliseconds(1)};
  Port port = TcpPort{"192.0.2.7", 5025};

  LeftRun() {
    write("2026-03-01T20:00:02.100000Z telling the source: output on\n");
    guardian::Setup setup;
    setup.connection.name = "bath";
    setup.connection.driver = "scpi-source";
    setup.connection.port = port;
    setup.connection.reply = Duration(2'000'000);
    setup.limits = guardian::test::cold_store_limits();
    setup.log = log();
    std::string line = guardian::to_line(guardian::Request(setup));
    line.pop_back();
    REQUIRE(guardian::keep_setup(log(), line));
  }
  [[nodiscard]] std::string log() const { return (folder / "guardian-bath.log").string(); }
  void write(const std::string& text) const { std::ofstream(log(), std::ios::app) << text; }
};

}  // namespace

TEST_CASE("a source whose guardian still lives is waited for, its bench is held, and in time a person is told",
          "[left]") {
  LeftRun run;
  auto held = std::make_optional<guardian::Log>(run.log());
  REQUIRE(run.left.take("night", run.folder / "", "bath"));
  CHECK(run.left.run_at(run.port) == "night");
  CHECK_FALSE(run.left.run_at(TcpPort{"192.0.2.8", 5025}));
  CHECK(run_until(run.io, [&] { return !run.told.empty(); }));
  CHECK(run.told.at(0).find("night: bath is not proved to be off: its guardian still tries") == 0);
  SECTION("it sees the source off") {
    run.write(seen_off);
    CHECK(run.left.run_at(run.port));  // it has yet to leave
    held.reset();
    CHECK(run_until(run.io, [&] { return !run.left.run_at(run.port); }));
    CHECK(run.told.size() == 1);
  }
}

TEST_CASE("a guardian that cannot be started is told at once, and holds nothing", "[left]") {
  LeftRun run;
  REQUIRE(run.left.take("night", run.folder / "", "bath"));
  CHECK(run_until(run.io, [&] { return !run.told.empty(); }));
  CHECK(run.told.at(0).find("the program cannot be run") != std::string::npos);
  CHECK(run.told.at(0).find("switch it off by hand now") != std::string::npos);
  CHECK_FALSE(run.left.run_at(run.port));
}

TEST_CASE("a run whose guardians kept nothing cannot be taken over", "[left]") {
  LeftRun run;
  std::filesystem::remove(guardian::setup_file(run.log()));
  CHECK(run.left.take("night", run.folder / "", "bath").error().code == Errc::not_found);
  CHECK_FALSE(run.left.run_at(run.port));
}

}  // namespace nightwell::daemon::test

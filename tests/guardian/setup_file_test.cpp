// What is kept of a guardian beside its log, and whether the process that writes the log lives.
#include "guardian/setup_file.hpp"

#include <catch2/catch.hpp>
#include <fstream>
#include <optional>

#include "guardian/log.hpp"
#include "support/temporary_folder.hpp"

namespace nightwell::guardian::test {

namespace {

void put(const std::filesystem::path& path, const std::string& text) {
  std::ofstream(path, std::ios::binary) << text;
}

}  // namespace

TEST_CASE("What a guardian was told is read back as it was, and what is not whole is not believed", "[setup]") {
  const tests::TemporaryFolder folder;
  const auto log = folder / "guardian-bath.log";
  CHECK(kept_setup(log).error().code == Errc::not_found);

  Setup setup;
  setup.connection.name = "bath";
  setup.connection.driver = "scpi-source";
  setup.connection.port = TcpPort{"192.0.2.7", 5025};
  setup.connection.reply = Duration(2'000'000);
  setup.connection.identity = "Cold Store";
  setup.limits.safe_c = 20;
  setup.limits.highest_c = 110;
  setup.speed = 1;
  setup.log = log.string();
  std::string line = to_line(Request(setup));
  line.pop_back();
  REQUIRE(keep_setup(log, line));
  const auto kept = kept_setup(log);
  REQUIRE(kept);
  CHECK(to_line(Request(*kept)) == line + "\n");
  CHECK(std::filesystem::exists(folder / "guardian-bath.setup"));

  put(setup_file(log), line);  // a computer that died while it was written
  CHECK(kept_setup(log).error().code == Errc::bad_input);
  put(setup_file(log), to_line(Request(ParkRequested{"x"})));
  CHECK(kept_setup(log).error().code == Errc::bad_input);
  put(setup_file(log), "\n");
  CHECK(kept_setup(log).error().code == Errc::bad_input);
}

TEST_CASE("What cannot be kept is said", "[setup]") {
  CHECK(keep_setup("/nowhere/guardian-bath.log", "x").error().code == Errc::storage);
}

TEST_CASE("A log is written as long as its guardian has it open", "[setup]") {
  const tests::TemporaryFolder folder;
  const auto path = folder / "guardian-bath.log";
  CHECK_FALSE(is_written(path));
  {
    const Log log(path.string());
    CHECK(is_written(path));
    CHECK(is_written(path));  // looking takes nothing
  }
  CHECK(std::filesystem::exists(path));
  CHECK_FALSE(is_written(path));
}

}  // namespace nightwell::guardian::test

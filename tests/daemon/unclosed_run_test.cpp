// What a daemon says of the heat that a run left behind which nothing closed. The logs are as a guardian writes them.
#include "daemon/unclosed_run.hpp"

#include <catch2/catch.hpp>
#include <fstream>
#include <nlohmann/json.hpp>

#include "guardian/log.hpp"
#include "journal/writer.hpp"
#include "support/temporary_folder.hpp"

using namespace nightwell;
using namespace nightwell::daemon;

namespace {

const std::string opened = R"(2026-03-01T20:00:00.000000Z started
2026-03-01T20:00:01.000000Z said {"v":1,"say":"opened","identity":"Bath","status":{"target_c":20.0,"temperature_c":21.0,"output":false,"lease_left_s":0.0}}
)";
const std::string heating = opened + R"(2026-03-01T20:00:02.000000Z telling the source: setpoint 110 C
2026-03-01T20:00:02.100000Z telling the source: output on
)";
const std::string parking = heating + R"(2026-03-01T20:10:00.000000Z the daemon's end closed
2026-03-01T20:10:00.100000Z said {"v":1,"say":"parked","cause":"daemon_gone","confirmed":false,"text":"switching off"}
2026-03-01T20:10:00.200000Z telling the source: output off
)";
const std::string proved =
    parking +
    R"(2026-03-01T20:10:00.300000Z said {"v":1,"say":"parked","cause":"daemon_gone","confirmed":true,"text":"the output reads off"}
2026-03-01T20:10:00.400000Z leaving with code 0
)";

void write_file(const std::filesystem::path& path, const std::string& text) {
  std::ofstream(path, std::ios::binary) << text;
}

}  // namespace

TEST_CASE("only a read-back proves that a guardian left its source off") {
  CHECK(last_seen(proved) == LastSeen::off);
  CHECK(last_seen(opened) == LastSeen::never_told);
  CHECK(last_seen(heating) == LastSeen::not_off);
  CHECK(last_seen(parking) == LastSeen::not_off);
  CHECK(last_seen("") == LastSeen::not_off);
  SECTION("a line that the dying computer did not finish proves nothing") {
    CHECK(
        last_seen(parking + R"(2026-03-01T20:10:00.300000Z said {"v":1,"say":"parked","cause":"daemon_gone","confi)") ==
        LastSeen::not_off);
  }
  SECTION("words that came from outside are no read-back") {
    CHECK(last_seen(parking + R"(2026-03-01T20:10:01.000000Z said {"v":1,"say":"parked","cause":"x","confirmed":false,)"
                              R"("text":"\"confirmed\":true"})"
                              "\n") == LastSeen::not_off);
  }
  SECTION("a second guardian that had to begin again has not yet proved it") {
    CHECK(last_seen(
              proved +
              "2026-03-01T20:20:00.000000Z started\n2026-03-01T20:20:01.000000Z telling the source: output off\n") ==
          LastSeen::not_off);
  }
}

TEST_CASE("the sources of a run that nothing closed, by its plan and its guardians' logs") {
  const tests::TemporaryFolder folder;
  const auto source = [](const char* name, bool attended) {
    return nlohmann::ordered_json{{"name", name}, {"attended", attended}};
  };
  {
    auto writer = journal::Writer::create(folder / "journal.ndjson");
    REQUIRE(writer);
    const journal::Stamp stamp{"2026-03-01T20:00:00.000000Z", Instant{}};
    REQUIRE(writer->append("opening", {{"format", "nightwell-journal/2"}}, stamp));
    REQUIRE(writer->append(
        "plan",
        {{"sources", {source("bath", false), source("block", false), source("lost", false), source("oven", true)}}},
        stamp));
  }
  write_file(folder / "guardian-bath.log", proved);
  write_file(folder / "guardian-block.log", heating);
  const auto left = sources_left(folder / "");
  REQUIRE(left.size() == 4);
  CHECK(left[0].name == "bath");
  CHECK(left[0].seen == LastSeen::off);
  CHECK(left[1].seen == LastSeen::not_off);
  CHECK(left[2].seen == LastSeen::not_off);  // no log: nobody knows
  CHECK(left[3].seen == LastSeen::attended);
  CHECK(may_heat(left));
  const auto text = unclosed_text(left);
  CHECK(text.find("NOT SEEN OFF since: block, lost: look at it now") != std::string::npos);
  CHECK(text.find("only a person can switch it off: oven") != std::string::npos);
  CHECK(text.find("seen off by its guardian: bath") != std::string::npos);

  CHECK_FALSE(may_heat({{"bath", LastSeen::off}}));
  CHECK(may_heat({{"bath", LastSeen::not_off, true}}));
  CHECK(unclosed_text({{"bath", LastSeen::not_off, true}, {"block", LastSeen::not_off}})
            .find("NOT SEEN OFF since: block: look at it now") != std::string::npos);
  CHECK(unclosed_text({{"bath", LastSeen::not_off, true}, {"block", LastSeen::not_off}})
            .find("NOT SEEN OFF since: bath: another guardian is started") != std::string::npos);
  CHECK_FALSE(may_heat({{"bath", LastSeen::guarded, true}, {"block", LastSeen::taken_over}}));
  CHECK(unclosed_text({{"bath", LastSeen::guarded, true}}).find("still switching it off: bath") != std::string::npos);
  CHECK(unclosed_text({{"block", LastSeen::taken_over}}).find("a later run had it: block") != std::string::npos);
  CHECK(unclosed_text({{"bath", LastSeen::off}}).find("NOT SEEN OFF") == std::string::npos);

  SECTION("a guardian that is still at work") {
    const guardian::Log held((folder / "guardian-block.log").string());
    const auto at_work = sources_left(folder / "");
    CHECK(at_work[1].seen == LastSeen::guarded);
    CHECK(at_work[0].seen == LastSeen::off);
  }
  SECTION("a command in the journal counts where the dying computer lost the log's last lines") {
    write_file(folder / "guardian-bath.log", opened);
    write_file(folder / "guardian-block.log", opened);
    CHECK(sources_left(folder / "")[0].seen == LastSeen::never_told);
    {
      std::filesystem::create_directories(folder / "commanded");
      auto writer = journal::Writer::create(folder / "commanded/journal.ndjson");
      REQUIRE(writer);
      const journal::Stamp stamp{"2026-03-01T20:00:00.000000Z", Instant{}};
      REQUIRE(writer->append("opening", {{"format", "nightwell-journal/2"}}, stamp));
      REQUIRE(writer->append("plan", {{"sources", {source("bath", false), source("block", false)}}}, stamp));
      REQUIRE(writer->append("command", {{"source", "bath"}, {"target_c", 35.0}, {"output", true}}, stamp));
    }
    write_file(folder / "commanded/guardian-bath.log", opened);
    write_file(folder / "commanded/guardian-block.log", opened);
    const auto there = sources_left(folder / "commanded");
    CHECK(there[0].seen == LastSeen::not_off);
    CHECK(there[1].seen == LastSeen::never_told);
  }
  SECTION("a park that the journal has confirmed counts where the guardian's log is gone, or has lost its end") {
    {
      std::filesystem::create_directories(folder / "parked");
      auto writer = journal::Writer::create(folder / "parked/journal.ndjson");
      REQUIRE(writer);
      const journal::Stamp stamp{"2026-03-01T20:00:00.000000Z", Instant{}};
      REQUIRE(writer->append("opening", {{"format", "nightwell-journal/2"}}, stamp));
      REQUIRE(writer->append("plan", {{"sources", {source("bath", false), source("block", false)}}}, stamp));
      for (const bool confirmed : {false, true})
        REQUIRE(writer->append("park", {{"source", "bath"}, {"confirmed", confirmed}}, stamp));
      REQUIRE(writer->append("park", {{"source", "block"}, {"confirmed", false}}, stamp));
    }
    write_file(folder / "parked/guardian-block.log", heating);
    const auto there = sources_left(folder / "parked");
    CHECK(there[0].seen == LastSeen::off);
    CHECK(there[1].seen == LastSeen::not_off);
    CHECK(any_unproved(there));
  }
  SECTION("a journal whose plan cannot be read: the guardians' logs name the sources") {
    write_file(folder / "journal.ndjson", "");
    const auto logged = sources_left(folder / "");
    REQUIRE(logged.size() == 2);
    CHECK(may_heat(logged));
  }
  SECTION("a run that never got as far as a plan has told no source anything") {
    CHECK(sources_left(folder / "nothing").empty());
    CHECK_FALSE(may_heat({}));
  }
}

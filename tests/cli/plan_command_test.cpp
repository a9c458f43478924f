// plan check, start and survey: files in, a plan or all faults out; what the daemon is asked; what scripts read.
#include <atomic>
#include <catch2/catch.hpp>

#include "fake_daemon.hpp"
#include "program.hpp"
#include "support/text.hpp"

using namespace nightwell::cli_test;
using nightwell::tests::holds;
using nlohmann::json;
using Path = std::filesystem::path;

namespace {

const Path files = Path(NIGHTWELL_SOURCE_DIR) / "tests/cli/plan";

std::vector<std::string> command(std::vector<std::string> words, const std::string& profile = "profile.json",
                                 const std::string& job = "job.json") {
  for (const std::string& name : {profile, std::string("bench.json"), job}) words.push_back(files / name);
  return words;
}

json survey_status(const std::string& ending) {
  return {
      {"run", "room-1"},
      {"state", ending.empty() ? "capture" : ending},
      {"ending", ending.empty() ? json(nullptr) : json(ending)},
      {"why", "time is up"},
      {"survey", {{"expected_c", 23}, {"findings", {{{"channel", "c1"}, {"finding", "open"}, {"text", "no value"}}}}}},
      {"channels",
       {{{"name", "r1"}, {"role", "reference"}, {"serial", "SB-R-1"}, {"type", "Pt100"}, {"t_c", 22.98}},
        {{"name", "c1"},
         {"role", "item"},
         {"serial", "SB-T-01"},
         {"type", "Pt100"},
         {"t_c", nullptr},
         {"fault", "open_sensor"}}}}};
}

}  // namespace

TEST_CASE("plan check prints what would be done, and needs no daemon") {
  Folder folder;
  const Outcome text = run(folder.path(), command({"plan", "check"}));
  CAPTURE(text.err);
  REQUIRE(text.exit == 0);
  CHECK(holds(text.out, "profile cold-store, bench bench-2, job seed-bank-cold-store"));
  CHECK(holds(text.out, "-20 °C"));
  CHECK(holds(text.out, "SB-T-01"));
  CHECK(holds(text.out, "by its limits at most"));
  const Outcome machine = run(folder.path(), command({"plan", "check", "--json"}));
  REQUIRE(machine.exit == 0);
  const json plan = json::parse(machine.out);
  CHECK(plan["ok"] == true);
  CHECK(plan["plateaus"].size() == 2);
  CHECK(plan["cards"].size() == 2);
}

TEST_CASE("plan check says what the results will lack for want of a budget, and start says it too") {
  Folder folder;
  CHECK(holds(run(folder.path(), command({"plan", "check"})).out,
              "Uncertainty: no budget file in the job: the results will have no uncertainty and no verdicts\n"));
  FakeDaemon daemon(folder.path(), [](const json&) { return yes({{"run", "cold-1"}, {"journal", "/j"}}); });
  CHECK(holds(run(folder.path(), command({"start"})).err, "no budget file in the job"));
}

TEST_CASE("plan check works out the uncertainty that a night can reach at best") {
  Folder folder;
  const Path demo = Path(NIGHTWELL_SOURCE_DIR) / "demo",
             profile = Path(NIGHTWELL_SOURCE_DIR) / "profiles/cold-store.json";
  const Path here = folder.path() / "demo";
  std::filesystem::create_directories(here);
  std::filesystem::copy(demo / "cards", here / "cards");
  for (const char* file : {"bench.json", "job.json", "budget.json"}) std::filesystem::copy(demo / file, here / file);
  const auto check = [&](bool as_json) {
    std::vector<std::string> words = {"plan", "check", profile, here / "bench.json", here / "job.json"};
    if (as_json) words.push_back("--json");
    const Outcome outcome = run(folder.path(), words);
    CAPTURE(outcome.err);
    REQUIRE(outcome.exit == 0);
    return outcome.out;
  };
  const auto edit = [&](const char* file, const auto& change) {
    json document = json::parse(read_file(here / file));
    change(document);
    write_file(here / file, document.dump());
  };

  CHECK(holds(check(false), "Uncertainty at best"));
  CHECK_FALSE(holds(check(false), "GAP"));
  SECTION("by the budget's own lines, worked out by hand") {
    // Certificate 8 mK and nothing else but 3 mK (rectangular) of the bath: 2 sqrt(4^2 + 3^2) = 10 mK.
    edit("cards/reference.json", [](json& card) { card["u95_k"] = 0.008; });
    edit("budget.json", [](json& budget) {
      for (const char* empty : {"references", "items"}) budget[empty] = json::array();
      budget["items_that_measure"] = json::object();
      budget["scanners"]["scanner-a"]["resistance"] = json::array();
      budget["sources"]["bath"] = {{{"name", "axial"}, {"standard_k", 0.003}, {"source", "by hand"}}};
    });
    const json items = json::parse(check(true))["uncertainty"]["items"];
    std::size_t seen = 0;
    for (const auto& item : items)
      if (item["channel"] == "pt100-1") {
        CHECK(item["expanded_k"].get<double>() == Approx(0.010).epsilon(1e-4));
        ++seen;
      }
    // Six plateaus, two of them at 15 °C: once a setpoint.
    CHECK(seen == 5);
  }
  SECTION("a certificate in millikelvin where kelvin are meant can decide nothing, and that is said") {
    edit("cards/reference.json", [](json& card) { card["u95_k"] = 12; });
    CHECK(holds(check(false), "U TOO LARGE: even an error of 0 would not be within"));
  }
  SECTION("a name that is not the bench's is a gap") {
    edit("budget.json", [](json& budget) { budget["scanners"] = {{"scaner-a", budget["scanners"]["scanner-a"]}}; });
    CHECK(holds(check(false), "GAP: the budget states nothing about scanner-a reading resistance\n"));
    CHECK(holds(check(false), "gaps: no verdict"));
    CHECK(json::parse(check(true))["uncertainty"]["gaps"].size() == 2);
  }
}

TEST_CASE("plan check lists all faults with their files") {
  Folder folder;
  const Outcome text = run(folder.path(), command({"plan", "check"}, "profile-wrong.json"));
  CHECK(text.exit == 2);
  CHECK(text.out.empty());
  CHECK(holds(text.err, "profile-wrong.json"));
  CHECK(holds(text.err, "/sampling/items_every_s"));
  const Outcome machine = run(folder.path(), command({"plan", "check", "--json"}, "profile-wrong.json"));
  CHECK(machine.exit == 2);
  CHECK(json::parse(machine.out)["ok"] == false);
  CHECK_FALSE(json::parse(machine.out)["faults"].empty());
}

TEST_CASE("a file that is not there") {
  Folder folder;
  const Outcome text = run(folder.path(), command({"plan", "check"}, "none.json"));
  CHECK(text.exit == 2);
  CHECK(holds(text.err, "none.json"));
}

TEST_CASE("an overdue reference must be accepted by name of the option") {
  Folder folder;
  CHECK(run(folder.path(), command({"plan", "check"}, "profile.json", "job-overdue.json")).exit == 2);
  const Outcome accepted =
      run(folder.path(), command({"plan", "check", "--accept-overdue"}, "profile.json", "job-overdue.json"));
  CHECK(accepted.exit == 0);
  CHECK(holds(accepted.out, "reference SB-R-1 is past its due date"));
}

TEST_CASE("start sends the texts and prints the run's id alone on the first line") {
  Folder folder;
  FakeDaemon daemon(folder.path(), [](const json&) { return yes({{"run", "cold-1"}, {"journal", "/j"}}); });
  const Outcome outcome = run(folder.path(), command({"start", "--accept-overdue"}));
  CHECK(outcome.exit == 0);
  CHECK(outcome.out == "cold-1\n");
  CHECK(holds(outcome.err, "nightwell watch cold-1"));
  REQUIRE(daemon.requests().size() == 1);
  const json request = daemon.requests()[0];
  CHECK(request["ask"] == "start");
  CHECK(request["accept_overdue"] == true);
  CHECK(holds(request["files"].dump(), "nightwell-profile/1"));
  CHECK(holds(request["files"].dump(), "SB-T-01"));
  CHECK(json::parse(run(folder.path(), command({"start", "--json"})).out)["run"] == "cold-1");
}

TEST_CASE("start with faults never reaches the daemon; without a daemon it is refused") {
  Folder folder;
  CHECK(run(folder.path(), command({"start"})).exit == 3);
  FakeDaemon daemon(folder.path(), [](const json&) { return yes({{"run", "cold-1"}}); });
  const Outcome outcome = run(folder.path(), command({"start"}, "profile-wrong.json"));
  CHECK(outcome.exit == 2);
  CHECK(outcome.out.empty());
  CHECK(daemon.requests().empty());
}

TEST_CASE("faults that only the daemon finds are bad input; a busy bench is a refusal") {
  Folder folder;
  const bool with_faults = GENERATE(true, false);
  FakeDaemon daemon(folder.path(), [with_faults](const json&) {
    return with_faults ? no("bad_input", "1 fault", {"bench.json: no such driver"}) : no("refused", "bench in use");
  });
  const Outcome outcome = run(folder.path(), command({"start"}));
  CHECK(outcome.exit == (with_faults ? 2 : 3));
  CHECK(outcome.out.empty());
  CHECK(holds(outcome.err, with_faults ? "no such driver" : "bench in use"));
}

TEST_CASE("survey waits for the end and shows findings and every channel") {
  Folder folder;
  std::atomic<int> looks = 0;
  FakeDaemon daemon(folder.path(), [&looks](const json& request) {
    if (request["ask"] == "start") return yes({{"run", "room-1"}, {"journal", "/j"}});
    return yes({{"runs", json::array({survey_status(looks++ == 0 ? "" : "finished")})}});
  });
  const Outcome outcome = run(folder.path(), command({"survey"}, "survey.json"));
  CAPTURE(outcome.err);
  CHECK(outcome.exit == 0);
  CHECK(outcome.out ==
        "c1: open, no value\n"
        "\n"
        "CHANNEL  ROLE       SERIAL   TYPE   READS      FINDING\n"
        "r1       reference  SB-R-1   Pt100  22.980 °C\n"
        "c1       item       SB-T-01  Pt100  -          open\n");
}

TEST_CASE("survey: stopped is 4, detached is the id at once, a profile that heats is refused") {
  Folder folder;
  FakeDaemon daemon(folder.path(), [](const json& request) {
    if (request["ask"] == "start") return yes({{"run", "room-1"}, {"journal", "/j"}});
    return yes({{"runs", json::array({survey_status("stopped")})}});
  });
  CHECK(run(folder.path(), command({"survey"}, "survey.json")).exit == 4);
  const Outcome detached = run(folder.path(), command({"survey", "--detach"}, "survey.json"));
  CHECK(detached.exit == 0);
  CHECK(detached.out == "room-1\n");
  const auto asked = daemon.requests().size();
  CHECK(run(folder.path(), command({"survey"})).exit == 2);
  CHECK(daemon.requests().size() == asked);
}

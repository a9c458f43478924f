// results: the journal's numbers on standard output, and whether the run finished as the exit code.
#include <catch2/catch.hpp>

#include "fake_daemon.hpp"
#include "journal/writer.hpp"
#include "program.hpp"
#include "support/text.hpp"

using namespace nightwell::cli_test;
using nightwell::tests::holds;
using Json = nlohmann::ordered_json;
using Path = std::filesystem::path;

namespace {

Json card(std::size_t index, const char* name, const char* role) {
  return {{"channel", index},       {"name", name},
          {"role", role},           {"scanner", "s1"},
          {"address", 101 + index}, {"measures", "temperature"},
          {"junction", nullptr},    {"serial", std::string("SB-") + name},
          {"type", "probe"},        {"model", {{"kind", "indicated"}}},
          {"lowest_c", -40.0},      {"highest_c", 100.0},
          {"certificate", "C-1"},   {"calibrated", "2026-01-10"},
          {"due", "2027-01-10"},    {"u95_k", 0.02},
          {"file", "cards/x.json"}};
}

// One plateau of one sweep; closed only where an ending is given.
Path write_night(const Path& path, const std::string& ending) {
  auto writer = nightwell::journal::Writer::create(path);
  REQUIRE(writer.ok());
  const auto append = [&](const char* kind, const Json& fields) {
    REQUIRE(writer.value().append(kind, fields, {"2026-11-25T20:15:00.000000Z", {}}).ok());
  };
  Json opening = {{"format", "nightwell-journal/1"},
                  {"run", "cold-1"},
                  {"host", "bench-pc"},
                  {"boot_id", "b"},
                  {"speed", 1},
                  {"profile", "cold-store"},
                  {"bench", "bench-2"},
                  {"job", "seed-bank"},
                  {"customer_reference", ""}};
  opening["program"] = {{"name", "nightwelld"}, {"version", "0.1.0"}};
  opening["files"] = Json::object();
  opening["accepted_overdue"] = Json::array();
  opening["channels"] = {"r1", "c1"};
  opening["orders"] = Json::object();
  opening["orders"]["straight"] = {0, 1};
  append("opening", opening);
  append("card", card(0, "r1", "reference"));
  append("card", card(1, "c1", "item"));
  Json plan = {{"plateau", 0}, {"setpoint_c", 15.0}, {"source", "bath"}, {"band_k", 0.5}};
  plan["capture"] = {{"placement", "after"}, {"order", "straight"}, {"sweeps", 1}, {"pause_s", 0.0}};
  append("plateau_plan", plan);
  Json sweep = {{"sweep", 0}, {"order", "straight"}, {"purpose", "capture"}, {"plateau", 0}, {"started_s", 10.0}};
  sweep["at_s"] = {0.0, 0.0};
  sweep["raw"] = {15.0, 15.25};
  sweep["faults"] = Json::object();
  sweep["t_c"] = {15.0, 15.25};
  append("sweep", sweep);
  append("plateau", {{"plateau", 0},
                     {"setpoint_c", 15.0},
                     {"outcome", "settled"},
                     {"first_sweep", 0},
                     {"last_sweep", 0},
                     {"window", nullptr},
                     {"why", ""}});
  if (!ending.empty()) append("closing", {{"ending", ending}, {"why", "done"}});
  return path;
}

}  // namespace

TEST_CASE("results as text, JSON and CSV") {
  Folder folder;
  const Path path = write_night(folder.path() / "journal.ndjson", "finished");
  const Outcome text = run(folder.path(), {"results", path});
  CAPTURE(text.err);
  REQUIRE(text.exit == 0);
  CHECK(holds(text.out, "SB-c1"));
  CHECK(holds(text.out, "0.25"));
  const Outcome machine = run(folder.path(), {"results", path, "--json"});
  CHECK(nlohmann::json::parse(machine.out)["format"] == "nightwell-results/1");
  CHECK(holds(run(folder.path(), {"results", path, "--csv"}).out, "SB-c1"));
  CHECK(run(folder.path(), {"results", path, "--csv", "--json"}).exit == 2);
}

TEST_CASE("a run that did not finish has results, and 4") {
  Folder folder;
  CHECK(run(folder.path(), {"results", write_night(folder.path() / "a.ndjson", "parked")}).exit == 4);
  const Outcome open = run(folder.path(), {"results", write_night(folder.path() / "b.ndjson", ""), "--csv"});
  CHECK(open.exit == 4);
  CHECK(holds(open.out, "SB-c1"));
  CHECK_FALSE(open.err.empty());  // the cautions, which the table has no room for
}

TEST_CASE("no results from what is no journal") {
  Folder folder;
  write_file(folder.path() / "x.ndjson", "hello\n");
  const Outcome outcome = run(folder.path(), {"results", folder.path() / "x.ndjson"});
  CHECK(outcome.exit == 2);
  CHECK(outcome.out.empty());
}

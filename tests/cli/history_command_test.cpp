// history: sensor cards from files, as a lab engineer asks for it. The numbers: tests/results/drift_history_test.cpp.
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "fake_daemon.hpp"
#include "program.hpp"
#include "support/text.hpp"

using namespace nightwell::cli_test;
using nightwell::tests::holds;

namespace {

class Cards {
 public:
  // R0 in ohm, calibrated that day; gives the file's name.
  std::string card(const std::string& day, double r0_ohm, const nlohmann::json& over = {}) const {
    nlohmann::json out = {{"format", "nightwell-card/1"},
                          {"serial", "SB-REF-02"},
                          {"type", "platinum reference"},
                          {"model", {{"kind", "platinum"}, {"r0_ohm", r0_ohm}}},
                          {"lowest_c", -50},
                          {"highest_c", 150},
                          {"certificate", "C-" + day},
                          {"calibrated", day},
                          {"u95_k", 0.01}};
    if (over.is_object()) out.update(over);
    const auto path = folder_.path() / (day + ".json");
    write_file(path, out.dump());
    return path.string();
  }
  Outcome history(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), "history");
    return run(folder_.path(), arguments);
  }

 private:
  Folder folder_;
};

}  // namespace

TEST_CASE("history: the changes, the largest drift, and a line for the budget") {
  const Cards cards;
  const std::string newer = cards.card("2025-01-01", 100.0117249),
                    older = cards.card("2024-01-01", 100);  // 30 mK at 0 °C
  const Outcome found = cards.history({newer, older, "--at", "0C,212F"});
  CHECK(found.exit == 0);
  CHECK(found.err.empty());
  CHECK(holds(found.out, "Sensor SB-REF-02, platinum, 2 certificates, -50 to 150 °C in common\n"));
  CHECK(holds(found.out, "\n2024-01-01 to 2025-01-01, 366 days\n"));
  CHECK(holds(found.out, "        0        30.00        29.94   14.14  beyond U\n"));
  CHECK(holds(found.out, "\n      100 "));
  CHECK(holds(found.out, "Largest drift  42.73 mK a year, 2024-01-01 to 2025-01-01 at 100 °C, beyond U\n"));
  CHECK(holds(found.out, "  \"sensors\": {\n    \"SB-REF-02\": [\n"));
  CHECK(holds(found.out, "\"half_width_k\": 0.043,\n"));

  const Outcome machine = cards.history({newer, older, "--at", "0C,212F", "--json"});
  CHECK(machine.exit == 0);
  const auto json = nlohmann::json::parse(machine.out);
  CHECK(json["format"] == "nightwell-history/1");
  CHECK(json["intervals"][0]["points"][0]["change_k"].get<double>() == Approx(0.03).margin(1e-6));
  CHECK(json["intervals"][0]["points"][0]["within_u95"] == false);
  CHECK(json["intervals"][0]["triple_point"].is_null());
  CHECK(json["largest"]["t_c"].get<double>() == Approx(100));
  CHECK(json["budget"]["sensors"]["SB-REF-02"][0]["half_width_k"] == 0.043);
  CHECK(json["certificates"][0]["certificate"] == "C-2024-01-01");
}

TEST_CASE("history: what is wrong is said with its file, and exit code 2") {
  const Cards cards;
  const std::string older = cards.card("2024-01-01", 100), newer = cards.card("2025-01-01", 100.01);
  const auto refused = [&](const std::vector<std::string>& arguments, const std::string& words) {
    const Outcome outcome = cards.history(arguments);
    INFO(outcome.err);
    CHECK(outcome.exit == 2);
    CHECK(outcome.out.empty());
    CHECK(holds(outcome.err, words));
  };
  refused({older}, "CARD");
  refused({older, older}, "2024-01-01.json: /calibrated");
  refused({older, newer, "--at", "151C"}, "151 °C is outside -50 °C to 150 °C");
  refused({older, newer, "--at", "0C,"}, "--at");
  refused({older, newer, "--at", "0C,1ohm"}, "this is a temperature");
  refused({older, cards.card("2023-01-01", 100, {{"serial", "SB-REF-03"}})}, "2023-01-01.json: /serial");
  // Every card's faults at once.
  const std::string wrong = cards.card("2022-01-01", -1), worse = cards.card("2021-01-01", 100, {{"lowest_c", "cold"}});
  refused({wrong, older, worse}, "2022-01-01.json: /model/r0_ohm: found -1");
  refused({wrong, older, worse}, "2021-01-01.json: /lowest_c: found \"cold\"");
  refused({older, newer + ".none"}, "2025-01-01.json.none");
  CHECK(cards.history({older, wrong, "--json"}).exit == 2);
  CHECK(nlohmann::json::parse(cards.history({older, wrong, "--json"}).out)["ok"] == false);
}

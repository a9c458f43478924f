// convert as people and scripts call it: one value, a column, cards, and every refusal with exit code 2.
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

#include "fake_daemon.hpp"
#include "program.hpp"
#include "support/text.hpp"

using namespace nightwell::cli_test;
using nightwell::tests::holds;

namespace {

const std::string card = std::string(NIGHTWELL_SOURCE_DIR) + "/tests/cli/plan/cards/c1.json";  // a Pt100, -40 to 100 °C

class Calculator {
 public:
  Outcome operator()(std::vector<std::string> words) const {
    words.insert(words.begin(), "convert");
    return run(folder_.path(), words);
  }
  Outcome column(const std::string& text, std::vector<std::string> words) const {
    const std::string input = folder_.path() / "column";
    write_file(input, text);
    words.insert(words.begin(), "convert");
    return run(folder_.path(), words, nullptr, input.c_str());
  }
  std::string file(const std::string& text) const {
    write_file(folder_.path() / "card.json", text);
    return folder_.path() / "card.json";
  }

 private:
  Folder folder_;
};

std::string refused_with(const Outcome& outcome) {
  CHECK(outcome.exit == 2);
  CHECK(outcome.out.empty());
  return outcome.err;
}

}  // namespace

// Values and their sources: conversion_test.cpp.
TEST_CASE("convert: one value, one line, the number first") {
  const Calculator convert;
  const Outcome ohms = convert({"pt100", "138.5055ohm"});
  CHECK(ohms.exit == 0);
  CHECK(ohms.out == "100 C  0.37928 ohm/K\n");
  CHECK(ohms.err.empty());
  const Outcome emf = convert({"K", "100C"});
  CHECK(emf.exit == 0);
  CHECK(emf.out.substr(0, 6) == "4.0962");
  CHECK(convert({"pt100", "-20C"}).out == convert({"pt100", "-4F"}).out);
  CHECK(convert({"pt100", "-20C"}).exit == 0);
  CHECK(convert({"K", "0mV", "--junction", "-5C"}).out.substr(0, 3) == "-5 ");
  CHECK(convert({"K", "3.096mV", "--junction", "25C"}).out == convert({"K", "3.096mV", "--junction", "77F"}).out);
  CHECK(convert({"pt100", "138.5055ohm", "--to", "K"}).out == "373.15 K  0.37928 ohm/K\n");
  const Outcome machine = convert({"pt100", "100C", "--json"});
  CHECK(machine.out == R"({"value":138.5055,"unit":"ohm","sensitivity":0.37928,"sensitivity_unit":"ohm/K"})"
                       "\n");
  CHECK(holds(convert({"--help"}).out, "ice point"));
}

TEST_CASE("convert: a sensor card, checked as plan check does") {
  const Calculator convert;
  CHECK(convert({card, "100C"}).out == "138.5055 ohm  0.37928 ohm/K\n");
  const Outcome outside = convert({card, "120C"});
  CHECK(outside.exit == 0);
  CHECK_FALSE(outside.out.empty());
  CHECK(outside.err == "nightwell: 120 °C is outside the limits of sensor SB-T-01, -40 to 100 °C\n");

  const std::string wrong = convert.file(R"({"format": "nightwell-card/1", "serial": "X", "type": "Pt100",
    "model": {"kind": "platinum", "r0_ohm": -1}, "lowest_c": 0, "highest_c": "warm"})");
  const std::string faults = refused_with(convert({wrong, "100C"}));
  CHECK(holds(faults, "card.json: /model/r0_ohm: found -1"));
  CHECK(holds(faults, "card.json: /highest_c: found \"warm\""));
  CHECK(holds(faults, "2 faults"));
  const Outcome as_json = convert({wrong, "100C", "--json"});
  CHECK(as_json.exit == 2);
  CHECK(nlohmann::json::parse(as_json.out)["faults"].size() == 2);
  CHECK(holds(refused_with(convert({convert.file("{"), "100C"})), "card.json"));
  const std::string none = refused_with(convert({"k", "100C"}));
  CHECK(holds(none, "k: found no file that can be read"));
  CHECK(holds(none, "the letter of a thermocouple (A B C E J K N R S T), pt100, pt1000 or a sensor card's file"));
}

TEST_CASE("convert: what is wrong is said, with exit code 2") {
  const Calculator convert;
  CHECK(holds(refused_with(convert({"K", "100"})), "there is no unit; write one behind the number: C, K, F, uV"));
  CHECK(holds(refused_with(convert({"K", "warm"})), "does not begin with a number"));
  CHECK(holds(refused_with(convert({"pt100", "1mV"})), "a Pt100 gives ohm, not mV"));
  CHECK(holds(refused_with(convert({"K", "2000C"})), "2000 °C is outside -270 to 1372 °C"));
  CHECK(holds(refused_with(convert({"B", "-1uV"})), "two temperatures"));
  CHECK(holds(refused_with(convert({"K", "100C", "--to", "volts"})), "there is no such unit; the units are C, K, F"));
  CHECK(holds(refused_with(convert({"K", "100C", "--to", ""})), "there is no such unit"));
  CHECK(holds(refused_with(convert({"K", "100C", "--to", "F"})), "the answer is a voltage"));
  CHECK(
      holds(refused_with(convert({"K", "100C", "--to", "ohm"})), "in uV, mV or V or, for temperatures, in C, K or F"));
  CHECK(holds(refused_with(convert({"K", "100C", "--junction", "23"})), "(--junction): there is no unit"));
  CHECK(holds(refused_with(convert({"K", "100C", "--junction", "1mV"})), "this is a temperature, in C, K or F"));
  CHECK(holds(refused_with(convert({"pt100", "100C", "--junction", "23C"})), "has no reference junction"));
  CHECK(holds(refused_with(convert({"K"})), "VALUE"));
}

TEST_CASE("convert: a column keeps its line numbers") {
  const Calculator convert;
  const Outcome good = convert.column("0C\n\n 100C\r\n138.5055ohm", {"pt100", "-"});
  CHECK(good.exit == 0);
  CHECK(good.out == "100 ohm  0.39083 ohm/K\n\n138.5055 ohm  0.37928 ohm/K\n100 C  0.37928 ohm/K\n");
  CHECK(good.err.empty());

  const Outcome mixed = convert.column("100C\nwarm\n900C\n0C\n", {"pt100", "-"});
  CHECK(mixed.exit == 2);
  CHECK(mixed.out == "138.5055 ohm  0.37928 ohm/K\nnan\nnan\n100 ohm  0.39083 ohm/K\n");
  CHECK(holds(mixed.err, "nightwell: reading \"warm\" (line 2): it does not begin with a number"));
  CHECK(holds(mixed.err, "(line 3): 900 °C is outside -200 to 850 °C"));

  const Outcome machine = convert.column("100C\n\nwarm\n", {"pt100", "-", "--json"});
  CHECK(machine.exit == 2);
  const auto second = machine.out.find("\n\n");
  REQUIRE(second != std::string::npos);
  CHECK(nlohmann::json::parse(machine.out.substr(0, second))["value"] == 138.5055);
  const auto bad = nlohmann::json::parse(machine.out.substr(second));
  CHECK(bad["value"].is_null());
  CHECK(holds(bad["error"], "does not begin with a number"));

  const Outcome outside = convert.column("20C\n120C\n", {card, "-"});
  CHECK(outside.exit == 0);
  CHECK(holds(outside.err, "nightwell: line 2: 120 °C is outside the limits of sensor SB-T-01"));

  const Outcome endless = convert.column(std::string(1'000'000, '1') + "C\n0C\n", {"pt100", "-"});
  CHECK(endless.exit == 2);
  CHECK(endless.out == "nan\n100 ohm  0.39083 ohm/K\n");
  CHECK(endless.err.size() < 300);

  CHECK(refused_with(convert.column("100C\n", {"pt100", "-", "--to", "mV"})).size() > 10);
  CHECK(convert.column("", {"pt100", "-"}).exit == 0);
  const std::string folder = NIGHTWELL_SOURCE_DIR;
  CHECK(holds(refused_with(run(folder, {"convert", "pt100", "-"}, nullptr, folder.c_str())), "cannot be read"));
}

// What is wrong is said: each mistake once, where it stands, with what was found and what is allowed.
#include <algorithm>
#include <catch2/catch.hpp>
#include <functional>

#include "plan/example.hpp"

using namespace nightwell;
using namespace nightwell::tests;
using nlohmann::json;

namespace {

using Bend = std::function<void(Example&)>;

Bend setting(const std::string& file, const std::string& pointer, json value) {
  return [=](Example& files) { set(files.file(file), pointer, value); };
}
Bend without(const std::string& file, const std::string& pointer) {
  return [=](Example& files) { erase(files.file(file), pointer); };
}

// Exactly one fault, at this place, whose text has all these words in it.
struct Case {
  const char* what;
  Bend bend;
  std::string file, pointer;
  std::vector<std::string> words;
};

void check_case(const Case& given, Example files) {
  given.bend(files);
  const auto faults = faults_of(files);
  INFO(given.what << "\n" << texts(faults));
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].file == given.file);
  CHECK(faults[0].pointer == given.pointer);
  const std::string text = plan::text(faults[0]);
  for (const auto& word : given.words) CHECK_THAT(text, Catch::Contains(word));
  CHECK_FALSE(faults[0].found.empty());
  CHECK_FALSE(faults[0].allowed.empty());
}

void check_cases(const std::vector<Case>& cases, const Example& files = example()) {
  for (const Case& each : cases) check_case(each, files);
}

bool any_at(const std::vector<plan::Fault>& faults, const std::string& file, const std::string& pointer) {
  return std::any_of(faults.begin(), faults.end(),
                     [&](const auto& fault) { return fault.file == file && fault.pointer == pointer; });
}

}  // namespace

TEST_CASE("ten different mistakes in five files are ten located messages in one go") {
  auto files = example();
  set(files.profile, "/plateaus/1/setpoint_c", 600);            // beyond the bath and the guards
  set(files.profile, "/plateau_defaults/band", 1);              // unknown
  set(files.profile, "/sampling/items_every_s", "often");       // wrong type
  set(files.profile, "/plateaus/0/band_k", -1);                 // out of range
  set(files.bench, "/channels/pt/address", 101);                // used twice
  set(files.bench, "/channels/block/measures", "weight");       // no such quantity
  set(files.bench, "/sources/bath/port/path", "/dev/ttyUSB0");  // renumbered
  set(files.job, "/items/1/channel", "tp");                     // no such channel
  files.cards.erase("cards/block.json");                        // missing
  erase(files.file("cards/reference.json"), "/u95_k");          // a reference needs it
  const auto faults = faults_of(files);
  INFO(texts(faults));
  const std::vector<std::pair<std::string, std::string>> places = {
      {"profile", "/plateaus/1/setpoint_c"},  {"profile", "/plateau_defaults/band"},
      {"profile", "/sampling/items_every_s"}, {"profile", "/plateaus/0/band_k"},
      {"bench", "/channels/pt/address"},      {"bench", "/channels/block/measures"},
      {"bench", "/sources/bath/port/path"},   {"job", "/items/1/channel"},
      {"job", "/junctions/0/card"},           {"cards/reference.json", "/u95_k"}};
  for (const auto& [file, pointer] : places) {
    INFO(file << pointer);
    CHECK(any_at(faults, file, pointer));
  }
  // The setpoint is told once for each limit that it breaks (bath, sensors, guards), nothing else twice.
  for (const auto& fault : faults) {
    const bool expected = std::any_of(places.begin(), places.end(), [&](const auto& place) {
      return place.first == fault.file && place.second == fault.pointer;
    });
    INFO(plan::text(fault));
    CHECK(expected);
  }
}

TEST_CASE("a message is one line: file, pointer, found, allowed") {
  auto files = example();
  erase(files.profile, "/guards/item_highest_c");
  for (auto& [path, card] : files.cards) card["highest_c"] = 800, (void)path;
  files.file("cards/t.json")["model"] = {{"kind", "thermocouple"}, {"type", "K"}};
  set(files.profile, "/plateaus/1/setpoint_c", 600);
  const auto faults = faults_of(files);
  REQUIRE(faults.size() == 1);
  CHECK(plan::text(faults[0]) == "profile: /plateaus/1/setpoint_c: found 600, allowed -40 to 120 °C (bath's limits)");
}

TEST_CASE("a message cannot write to a terminal what the file wants") {
  auto files = example();
  set(files.profile, "/plateaus/0/source", "a\x1b[2Jb\nc");
  set(files.bench, "/channels/\x1b[31m", json::object());
  for (const auto& fault : faults_of(files)) {
    const std::string text = plan::text(fault);
    INFO(text);
    for (const char c : text) {
      CHECK(static_cast<unsigned char>(c) >= 0x20);
      CHECK(c != 0x7f);
    }
  }
}

TEST_CASE("keys: unknown ones name the nearest, missing ones say so") {
  check_cases({
      {"unknown key",
       setting("profile", "/plateaus/0/setpont_c", 3),
       "profile",
       "/plateaus/0/setpont_c",
       {"unknown key", "did you mean \"setpoint_c\"?"}},
      {"unknown, nothing near",
       setting("bench", "/sources/bath/colour", "red"),
       "bench",
       "/sources/bath/colour",
       {"unknown key", "\"lease_s\""}},
      {"unknown in the defaults",
       setting("profile", "/plateau_defaults/settle/window", 600),
       "profile",
       "/plateau_defaults/settle/window",
       {"did you mean \"window_s\"?"}},
      {"swapped letters",
       setting("job", "/customer_refernece", "x"),
       "job",
       "/customer_refernece",
       {"customer_reference"}},
      {"a pointer's own characters", setting("bench", "/a~1b", 1), "bench", "/a~1b", {"unknown key \"a/b\""}},
      {"missing",
       without("profile", "/guards/stale_s"),
       "profile",
       "/guards/stale_s",
       {"found nothing", "0.1 to 86400 s"}},
      {"missing object",
       without("bench", "/sources/bath/heating"),
       "bench",
       "/sources/bath/heating",
       {"found nothing"}},
      {"missing format", without("job", "/format"), "job", "/format", {"nightwell-job/1"}},
      {"setpoint in the defaults",
       setting("profile", "/plateau_defaults/setpoint_c", 20),
       "profile",
       "/plateau_defaults/setpoint_c",
       {"each plateau"}},
      {"driver",
       setting("bench", "/scanners/scanner-a/driver", "scpi-scaner"),
       "bench",
       "/scanners/scanner-a/driver",
       {"did you mean \"scpi-scanner\"?"}},
      {"a program named as if it were one of the tree's",
       setting("bench", "/scanners/scanner-a/driver", "./my_scanner.py"),
       "bench",
       "/scanners/scanner-a/driver",
       {"my_scanner.py", "{\"program\": FILE}", "{\"dialect\": FILE}"}},
      {"a driver's key",
       setting("bench", "/scanners/scanner-a/driver", {{"programm", "my_scanner.py"}}),
       "bench",
       "/scanners/scanner-a/driver",
       {"found the key \"programm\"", "{\"program\": FILE}"}},
      {"an empty driver",
       setting("bench", "/scanners/scanner-a/driver", json::object()),
       "bench",
       "/scanners/scanner-a/driver",
       {"an empty object"}},
  });
}

TEST_CASE("a key that is missing in plateau and defaults is told at each plateau") {
  auto files = example();
  erase(files.profile, "/plateau_defaults/band_k");
  const auto faults = faults_of(files);
  REQUIRE(faults.size() == 1);  // the second plateau has its own
  CHECK(faults[0].pointer == "/plateaus/0/band_k");
  CHECK(faults[0].message == "neither here nor in the defaults");
}

TEST_CASE("a wrong default is told once, where it stands, whoever uses it") {
  auto files = example();
  set(files.profile, "/plateau_defaults/settle/largest_drift_k", 0);
  const auto faults = faults_of(files);
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].pointer == "/plateau_defaults/settle/largest_drift_k");
}

TEST_CASE("a file in the wrong place is one fault, not one a key") {
  auto files = example();
  std::swap(files.profile, files.bench);
  const auto faults = faults_of(files);
  REQUIRE(faults.size() == 2);
  CHECK(faults[0].pointer == "/format");
  CHECK(faults[0].message == "is this the right file in this place?");
}

TEST_CASE("profile: types, ranges and what only holds between keys") {
  check_cases({
      {"number as text",
       setting("profile", "/sampling/every_s", "5"),
       "profile",
       "/sampling/every_s",
       {"found \"5\"", "a number"}},
      {"null is no number",
       setting("profile", "/sampling/every_s", nullptr),
       "profile",
       "/sampling/every_s",
       {"found null"}},
      {"truth is no number",
       setting("profile", "/sampling/every_s", true),
       "profile",
       "/sampling/every_s",
       {"found true"}},
      {"zero",
       setting("profile", "/plateau_defaults/band_k", 0),
       "profile",
       "/plateau_defaults/band_k",
       {"above 0 to 50 K"}},
      {"below absolute zero",
       setting("profile", "/cooldown/leave_between_c/0", -300),
       "profile",
       "/cooldown/leave_between_c/0",
       {"-273.15 to 2500 °C"}},
      {"half a sweep",
       setting("profile", "/plateau_defaults/capture/sweeps", 2.5),
       "profile",
       "/plateau_defaults/capture/sweeps",
       {"2.5", "a whole number, 1 to 1000"}},
      {"no such order",
       setting("profile", "/plateau_defaults/capture/order", "random"),
       "profile",
       "/plateau_defaults/capture/order",
       {"\"straight\", \"mirrored\" or \"bracketed\""}},
      {"capturing does not cure a capture",
       setting("profile", "/plateau_defaults/limits/capture/otherwise", "capture"),
       "profile",
       "/plateau_defaults/limits/capture/otherwise",
       {"\"park\", \"stop\" or \"skip\""}},
      {"nothing to skip to",
       setting("profile", "/cooldown/otherwise", "skip"),
       "profile",
       "/cooldown/otherwise",
       {"\"park\" or \"stop\""}},
      {"no plateaus", setting("profile", "/plateaus", json::array()), "profile", "/plateaus", {"1 to 1000"}},
      {"items before references",
       setting("profile", "/sampling/items_every_s", 4),
       "profile",
       "/sampling/items_every_s",
       {"at least every_s, 5 s"}},
      {"one missed reading parks",
       setting("profile", "/guards/stale_s", 9),
       "profile",
       "/guards/stale_s",
       {"at least twice every_s, 10 s"}},
      {"a window of four samples",
       setting("profile", "/plateaus/0/settle", {{"window_s", 24.9}}),
       "profile",
       "/plateaus/0/settle/window_s",
       {"24.9", "at least 25 s"}},
      {"a window longer than its limit",
       setting("profile", "/plateaus/1/settle/window_s", 3601),
       "profile",
       "/plateau_defaults/limits/settle/within_s",
       {"3600", "at least the settle window, 3601 s"}},
      {"sweeps that cannot fit",
       setting("profile", "/plateaus/1/capture/sweeps", 182),
       "profile",
       "/plateaus/1/capture/sweeps",
       {"182", "900 s", "905 s"}},
      {"leaving in order",
       setting("profile", "/cooldown/leave_between_c", {40, 40}),
       "profile",
       "/cooldown/leave_between_c/1",
       {"above the first, 40 °C"}},
      {"never safe to leave",
       setting("profile", "/cooldown/target_c", 41),
       "profile",
       "/cooldown/target_c",
       {"5 to 40 °C"}},
      {"three ends",
       setting("profile", "/cooldown/leave_between_c", {5, 20, 40}),
       "profile",
       "/cooldown/leave_between_c",
       {"a list of 3", "2 elements"}},
  });
}

TEST_CASE("profile: guards whose ends are swapped, and a survey beside plateaus") {
  auto files = example();
  set(files.profile, "/guards/reference_lowest_c", 80);
  set(files.profile, "/guards/reference_highest_c", 70);
  CHECK(any_at(faults_of(files), "profile", "/guards/reference_highest_c"));
  files = example();
  files.profile["survey"] = survey_example().profile["survey"];
  const auto faults = faults_of(files);
  for (const char* key : {"/plateaus", "/plateau_defaults", "/cooldown"}) CHECK(any_at(faults, "profile", key));
  CHECK(faults.size() == 3);
}

TEST_CASE("profile: a survey") {
  check_cases({{"shorter than its step",
                setting("profile", "/survey/lasts_s", 29),
                "profile",
                "/survey/lasts_s",
                {"at least every_s, 30 s"}},
               {"missing", without("profile", "/survey/expected_c"), "profile", "/survey/expected_c", {"nothing"}},
               {"unknown", setting("profile", "/survey/source", "x"), "profile", "/survey/source", {"unknown key"}}},
              survey_example());
}

TEST_CASE("profile: at most a thousand plateaus, and at most a week of windows") {
  auto files = example();
  files.profile["plateaus"] = json::array();
  for (int i = 0; i < 1001; ++i) files.profile["plateaus"].push_back({{"setpoint_c", 20}});
  auto faults = faults_of(files);
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].found == "a list of 1001");
  files.profile["plateaus"].erase(0);
  faults = faults_of(files);  // 1000 windows of 600 s and 4 pauses of 5 s are seven days and some
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].pointer == "/plateaus");
  CHECK_THAT(plan::text(faults[0]), Catch::Contains("620000 s") && Catch::Contains("seven days"));
  files.profile["plateaus"].erase(0);
  set(files.profile, "/plateau_defaults/settle/window_s", 500);
  CHECK(plan_of(files).plateaus.size() == 999);
}

TEST_CASE("setpoints are held against source, sensors and guards") {
  check_cases({
      {"the source",
       setting("bench", "/sources/bath/lowest_c", -20),
       "profile",
       "/plateaus/0/setpoint_c",
       {"found -25", "-20 to 120 °C (bath's limits)"}},
      {"an item",
       setting("cards/t.json", "/highest_c", 50),
       "profile",
       "/plateaus/1/setpoint_c",
       {"found 60", "-40 to 50 °C", "limits of sensor \"SB-T-01\""}},
      {"the reference",
       setting("cards/reference.json", "/lowest_c", -20),
       "profile",
       "/plateaus/0/setpoint_c",
       {"found -25", "limits of sensor \"SB-REF-02\""}},
      {"where an item's model is defined",
       setting("cards/pt.json", "/model",
               {{"kind", "thermistor"}, {"a", 1e-3}, {"b", 2e-4}, {"c", 1e-7}, {"low_c", -10}, {"high_c", 100}}),
       "profile",
       "/plateaus/0/setpoint_c",
       {"range of the model of sensor \"SB-P-01\""}},
      {"the item guards",
       setting("profile", "/guards/item_highest_c", 59),
       "profile",
       "/plateaus/1/setpoint_c",
       {"at most 59 °C (the item guards)"}},
      {"the reference guards",
       setting("profile", "/guards/reference_lowest_c", -24),
       "profile",
       "/plateaus/0/setpoint_c",
       {"at least -24 °C (the reference guards)"}},
  });
  // What sits in the terminal block never sees the setpoint.
  auto files = example();
  set(files.file("cards/block.json"), "/highest_c", 40);
  CHECK(faults_of(files).empty());
}

TEST_CASE("the limits of a source hold a setpoint even where other keys of it are wrong") {
  auto files = example();
  set(files.profile, "/plateaus/0/setpoint_c", -45);
  set(files.bench, "/sources/bath/lease_s", "long");
  const auto faults = faults_of(files);
  CHECK(any_at(faults, "profile", "/plateaus/0/setpoint_c"));
  CHECK(any_at(faults, "bench", "/sources/bath/lease_s"));
}

TEST_CASE("bench: ports") {
  const json serial = example().bench["sources"]["bath"]["port"];
  for (const char* path : {"/dev/ttyUSB0", "/dev/ttyUSB12", "/dev/ttyACM3"})
    check_case({"renumbered",
                setting("bench", "/sources/bath/port/path", path),
                "bench",
                "/sources/bath/port/path",
                {"/dev/serial/by-id/", "numbers such ports anew"}},
               example());
  auto files = example();
  for (const char* path : {"/dev/ttyS0", "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0", "/dev/ttyUSB"}) {
    set(files.bench, "/sources/bath/port/path", path);
    CHECK(faults_of(files).empty());
  }
  check_cases({
      {"relative serial",
       setting("bench", "/sources/bath/port/path", "ttyS0"),
       "bench",
       "/sources/bath/port/path",
       {"absolute"}},
      {"odd rate",
       setting("bench", "/sources/bath/port/baud", 9601),
       "bench",
       "/sources/bath/port/baud",
       {"9601", "9600"}},
      {"nine bits",
       setting("bench", "/sources/bath/port/data_bits", 9),
       "bench",
       "/sources/bath/port/data_bits",
       {"7 to 8"}},
      {"parity",
       setting("bench", "/sources/bath/port/parity", "E"),
       "bench",
       "/sources/bath/port/parity",
       {"\"even\""}},
      {"a line setting is missing",
       without("bench", "/sources/bath/port/flow"),
       "bench",
       "/sources/bath/port/flow",
       {"nothing"}},
      {"kind of port",
       setting("bench", "/sources/bath/port/type", "usb"),
       "bench",
       "/sources/bath/port/type",
       {"\"serial\""}},
      {"tcp port",
       setting("bench", "/scanners/scanner-a/port/port", 65536),
       "bench",
       "/scanners/scanner-a/port/port",
       {"65535"}},
      {"tcp host",
       setting("bench", "/scanners/scanner-a/port/host", "http://x"),
       "bench",
       "/scanners/scanner-a/port/host",
       {"a name or an address"}},
      {"one port twice",
       setting("bench", "/sources/bath/port", {{"type", "tcp"}, {"host", "scanner-a"}, {"port", 5025}}),
       "bench",
       "/sources/bath/port",
       {"tcp scanner-a:5025", "/scanners/scanner-a/port"}},
  });
}

TEST_CASE("bench: a relative pty path needs the bench's folder, and two spellings of a path are one port") {
  auto files = example();
  set(files.bench, "/sources/bath/port", {{"type", "pty"}, {"path", "ports/bath"}});
  CHECK(port_name(plan_of(files).sources[0].port) == "pty /bench/ports/bath");
  set(files.bench, "/scanners/scanner-a/port", {{"type", "pty"}, {"path", "/bench/x/../ports/./bath"}});
  CHECK(faults_of(files).at(0).pointer == "/sources/bath/port");
  set(files.bench, "/scanners/scanner-a/port", {{"type", "pty"}, {"path", "/ports/a"}});
  files.bench_directory = "";
  const auto faults = faults_of(files);
  REQUIRE(faults.size() == 1);
  CHECK(faults[0].pointer == "/sources/bath/port/path");
}

TEST_CASE("bench: sources") {
  check_cases({
      {"safe", setting("bench", "/sources/bath/safe_c", 121), "bench", "/sources/bath/safe_c", {"-40 to 120 °C"}},
      {"absolute",
       setting("bench", "/sources/bath/absolute_highest_c", 119),
       "bench",
       "/sources/bath/absolute_highest_c",
       {"at least highest_c, 120 °C"}},
      {"lease",
       setting("bench", "/sources/bath/lease_s", 9.9),
       "bench",
       "/sources/bath/lease_s",
       {"at least twice poll_s, 10 s", "one may be missed"}},
      {"stale", setting("bench", "/sources/bath/stale_s", 9.9), "bench", "/sources/bath/stale_s", {"twice poll_s"}},
      {"kind", setting("bench", "/sources/bath/kind", "oven"), "bench", "/sources/bath/kind", {"\"furnace\""}},
      {"attended is yes or no",
       setting("bench", "/sources/bath/attended", "yes"),
       "bench",
       "/sources/bath/attended",
       {"true or false"}},
      {"cannot come to where it may be left",
       setting("profile", "/cooldown",
               {{"target_c", -45}, {"leave_between_c", {-50, -42}}, {"within_s", 60}, {"otherwise", "stop"}}),
       "profile",
       "/cooldown/leave_between_c",
       {"-50 to -42 °C", "bath", "-40 to 120 °C"}},
  });
  auto files = example();
  set(files.bench, "/sources/bath/lowest_c", 130);
  CHECK(any_at(faults_of(files), "bench", "/sources/bath/highest_c"));
}

TEST_CASE("bench: channels") {
  check_cases({
      {"scanner",
       setting("bench", "/channels/pt/scanner", "scanner-b"),
       "bench",
       "/channels/pt/scanner",
       {"did you mean \"scanner-a\"?"}},
      {"address twice",
       setting("bench", "/channels/pt/address", 104),
       "bench",
       "/channels/t/address",
       {"104", "channel \"pt\" has it"}},
      {"a number as text",
       setting("bench", "/channels/pt/address", "102"),
       "bench",
       "/channels/pt/address",
       {"a whole number"}},
      {"junction without voltage",
       setting("bench", "/channels/pt/junction", {{"fixed_c", 0}}),
       "bench",
       "/channels/pt/junction",
       {"only thermocouples"}},
      {"two junctions",
       setting("bench", "/channels/t/junction", {{"channel", "block"}, {"fixed_c", 0}}),
       "bench",
       "/channels/t/junction",
       {"exactly one"}},
      {"junction itself",
       setting("bench", "/channels/t/junction/channel", "t"),
       "bench",
       "/channels/t/junction/channel",
       {"measures resistance, current or temperature"}},
      {"wire log", setting("bench", "/wire_log", 1), "bench", "/wire_log", {"true or false"}},
  });
  auto files = example();
  set(files.bench, "/channels/t/junction/channel", "blok");
  const auto faults = faults_of(files);
  CHECK(any_at(faults, "bench", "/channels/t/junction/channel"));
  set(files.bench, "/channels/t/junction", {{"instrument", false}});
  CHECK(any_at(faults_of(files), "bench", "/channels/t/junction/instrument"));
}

TEST_CASE("job: channels and cards") {
  check_cases({
      {"no such channel",
       setting("job", "/items/1/channel", "pd"),
       "job",
       "/items/1/channel",
       {"did you mean \"pt\"?"}},
      {"no references", setting("job", "/references", json::array()), "job", "/references", {"1 or 2 references"}},
      {"a quantity that the sensor does not give",
       setting("cards/pt.json", "/model", {{"kind", "indicated"}}),
       "job",
       "/items/1/card",
       {"gives temperature", "gives resistance", "/channels/pt"}},
      {"a thermocouple without a junction",
       [](Example& files) {
         erase(files.bench, "/channels/t/junction");
         erase(files.job, "/junctions");
       },
       "bench",
       "/channels/t/junction",
       {"nothing", "/items/0"}},
      {"a junction without a sensor",
       without("job", "/junctions"),
       "job",
       "/items/0/channel",
       {"\"block\"", "junctions"}},
      {"a junction of nobody",
       setting("bench", "/channels/t/junction", {{"fixed_c", 0}}),
       "job",
       "/junctions/0/channel",
       {"none of the job's channels names it"}},
      {"a junction that the type is not defined for",
       [](Example& files) {
         set(files.file("cards/t.json"), "/model/type", "B");
         set(files.file("cards/t.json"), "/lowest_c", -40);
         set(files.bench, "/channels/t/junction", {{"fixed_c", -10}});
         erase(files.job, "/junctions");
         files.profile["plateaus"] = {{{"setpoint_c", 60}}};
       },
       "bench",
       "/channels/t/junction/fixed_c",
       {"-10", "type B"}},
      {"no items", setting("job", "/items", json::array()), "job", "/items", {"1 to 500"}},
      {"no such source",
       setting("job", "/sources", {{"cold", "bat"}}),
       "job",
       "/sources/cold",
       {"did you mean \"bath\"?"}},
      {"a label that the job does not know",
       setting("profile", "/plateaus/0/source", "cold"),
       "profile",
       "/plateaus/0/source",
       {"the job does not say"}},
      {"a missing card",
       [](Example& files) { files.cards.erase("cards/pt.json"); },
       "job",
       "/items/1/card",
       {"cards/pt.json", "relative to the job file"}},
  });
}

TEST_CASE("job: several sources need a label, and none cannot be heated") {
  auto files = example();
  files.bench["sources"]["furnace"] = files.bench["sources"]["bath"];
  set(files.bench, "/sources/furnace/port", {{"type", "pty"}, {"path", "/ports/furnace"}});
  auto faults = faults_of(files);
  REQUIRE(faults.size() == 2);  // one a plateau
  CHECK(faults[0].pointer == "/plateaus/0/source");
  CHECK_THAT(faults[0].message, Catch::Contains("\"bath\" or \"furnace\""));
  files.bench["sources"] = json::object();
  faults = faults_of(files);
  CHECK(any_at(faults, "profile", "/plateaus/0/source"));
}

TEST_CASE("job: what is used twice is told at its second place") {
  auto files = example();
  files.job["items"].push_back({{"channel", "t"}, {"card", "cards/t.json"}});
  const auto faults = faults_of(files);
  REQUIRE(faults.size() == 2);
  CHECK(faults[0].pointer == "/items/2/channel");
  CHECK(faults[0].message == "it is used at /items/0");
  CHECK(faults[1].pointer == "/items/2/card");
}

TEST_CASE("cards") {
  check_cases({
      {"serial twice",
       setting("cards/pt.json", "/serial", "SB-T-01"),
       "cards/pt.json",
       "/serial",
       {"cards/t.json has it"}},
      {"limits in order",
       setting("cards/block.json", "/highest_c", -1),
       "cards/block.json",
       "/highest_c",
       {"above lowest_c, 0"}},
      {"no such day",
       setting("cards/reference.json", "/due", "2027-02-29"),
       "cards/reference.json",
       "/due",
       {"a date"}},
      {"another way to write a date",
       setting("cards/t.json", "/calibrated", "1.3.2026"),
       "cards/t.json",
       "/calibrated",
       {"YYYY-MM-DD"}},
      {"tomorrow",
       setting("cards/t.json", "/calibrated", "2026-11-26"),
       "cards/t.json",
       "/calibrated",
       {"not after today"}},
      {"due before calibrated",
       [](Example& files) {
         files.file("cards/t.json")["calibrated"] = "2026-03-01";
         files.file("cards/t.json")["due"] = "2026-02-28";
       },
       "cards/t.json",
       "/due",
       {"not before calibrated"}},
      {"a reference without due date",
       without("cards/reference.json", "/due"),
       "cards/reference.json",
       "/due",
       {"a reference needs it"}},
      {"a reference without uncertainty",
       without("cards/reference.json", "/u95_k"),
       "cards/reference.json",
       "/u95_k",
       {"a reference needs it"}},
      {"a reference without certificate",
       without("cards/reference.json", "/certificate"),
       "cards/reference.json",
       "/certificate",
       {"a reference needs it"}},
      {"overdue",
       setting("cards/reference.json", "/due", "2026-11-24"),
       "cards/reference.json",
       "/due",
       {"2026-11-24", "2026-11-25", "--accept-overdue"}},
      {"zero uncertainty", setting("cards/reference.json", "/u95_k", 0), "cards/reference.json", "/u95_k", {"above 0"}},
      {"no such model",
       setting("cards/t.json", "/model/kind", "termocouple"),
       "cards/t.json",
       "/model/kind",
       {"did you mean \"thermocouple\"?"}},
      {"type of thermocouple", setting("cards/t.json", "/model/type", "t"), "cards/t.json", "/model/type", {"\"T\""}},
      {"two coefficients of three",
       [](Example& files) {
         files.file("cards/pt.json")["model"]["a_per_c"] = 3.9e-3;
         files.file("cards/pt.json")["model"]["b_per_c2"] = -5.8e-7;
       },
       "cards/pt.json",
       "/model/c_per_c4",
       {"nothing"}},
      {"another kind's key",
       setting("cards/pt.json", "/model/type", "T"),
       "cards/pt.json",
       "/model/type",
       {"unknown key"}},
  });
}

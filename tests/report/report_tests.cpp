// Reports of results put together by hand: what stands in them, and that text from outside does no harm.

#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <sstream>

#include "journal/plain_text.hpp"
#include "report/numbers.hpp"
#include "report/report.hpp"
#include "report/table.hpp"

using namespace nightwell;
using namespace nightwell::results;

namespace {

Channel channel(const std::string& name, Role role, const std::string& serial) {
  Channel out;
  out.name = name;
  out.role = role;
  out.serial = serial;
  out.type = "Pt100";
  out.certificate = "C-17";
  out.due = "2027-01-10";
  out.measures = Quantity::resistance;
  return out;
}

Readings readings(std::size_t index, double raw, double mean_c) {
  Readings out;
  out.channel = index;
  out.n = 10;
  out.raw_mean = raw;
  out.mean_c = mean_c;
  out.sd_k = 0.0012;
  out.drift_k = -0.0003;
  return out;
}

Results example() {
  Results out;
  out.run = "cold-store-0301";
  out.job = "seed-bank-march";
  out.profile = "cold-store";
  out.bench = "bath-1";
  out.customer_reference = "shelf 4";
  out.program_name = "nightwelld";
  out.program_version = "0.1.0";
  out.host = "bench-pc";
  out.opened_utc = "2026-03-01T21:14:05.000250Z";
  out.last_utc = "2026-03-02T06:01:00.000000Z";
  out.ending = "finished";
  out.verification.lines = 118;
  out.verification.head = std::string(64, 'a');
  out.channels = {channel("R1", Role::reference, "SB-P-01"), channel("X1", Role::item, "SB-P-11"),
                  channel("X2", Role::item, "SB-P-12")};
  Plateau plateau;
  plateau.setpoint_c = -25;
  plateau.source = "bath";
  plateau.outcome = "settled";
  plateau.first_sweep = 12;
  plateau.last_sweep = 16;
  plateau.sweeps = 5;
  plateau.from_s = 3600.25;
  plateau.to_s = 3700.5;
  plateau.reference.each = {readings(0, 90.1921, -25.0012)};
  plateau.reference.n = 10;
  plateau.reference.mean_c = -25.0012;
  plateau.reference.sd_k = 0.0012;
  plateau.reference.drift_k = -0.0003;
  Item good;
  good.readings = readings(1, 90.2, -24.98);
  good.error_k = 0.0212;
  good.error_sd_k = 0.0008;
  good.standard_error_k = 0.00025;
  Item open;
  open.readings.channel = 2;
  open.readings.faults = {{"open_sensor", 10}};
  plateau.items = {good, open};
  plateau.direction = Direction::down;
  out.plateaus = {plateau};
  out.revisited = {{1, -25, "bath", {2, 0.0205}, {1, 0.0212}, -0.0007, 0.0004, 1}};
  return out;
}

const std::vector<std::string> hostile = {"\x1b]52;c;cm0gLXJm\x07",
                                          "\x1b]0;t\x07",
                                          "\x1b[?1049h",
                                          "\xe2\x80\xae"
                                          "10-BS",
                                          "\xc2\x9b"
                                          "31m",
                                          "a\nb\rc\td",
                                          "\xb0"
                                          "C",
                                          "\x7f"};

Results with_text(const std::string& text) {
  Results out = example();
  for (std::string* field : {&out.run, &out.job, &out.profile, &out.bench, &out.customer_reference, &out.program_name,
                             &out.program_version, &out.host, &out.ending_why})
    *field = text;
  out.ending = text;
  out.accepted_overdue = {text};
  for (auto& one : out.channels) {
    one.name = one.serial = one.type = one.certificate = one.calibrated = one.due = text;
    one.left_out = text;
  }
  out.plateaus[0].source = out.plateaus[0].outcome = out.plateaus[0].why = text;
  out.plateaus[0].items[1].readings.faults = {{text, 1}};
  out.findings = {{text, text, text}};
  return out;
}

std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> out;
  std::istringstream in(text);
  for (std::string line; std::getline(in, line);) out.push_back(line);
  return out;
}

// RFC 4180, for reading back what csv() wrote.
std::vector<std::vector<std::string>> cells_of(const std::string& csv) {
  std::vector<std::vector<std::string>> rows(1);
  std::string cell;
  bool quoted = false;
  for (std::size_t i = 0; i < csv.size(); ++i) {
    const char c = csv[i];
    if (quoted && c == '"' && i + 1 < csv.size() && csv[i + 1] == '"')
      cell += csv[++i];
    else if (c == '"')
      quoted = !quoted;
    else if (!quoted && (c == ',' || c == '\r')) {
      rows.back().push_back(cell);
      cell.clear();
      if (c == '\r') rows.emplace_back(), ++i;
    } else
      cell += c;
  }
  rows.pop_back();
  return rows;
}

std::size_t column(const std::vector<std::vector<std::string>>& rows, const std::string& name) {
  for (std::size_t i = 0; i < rows[0].size(); ++i)
    if (rows[0][i] == name) return i;
  FAIL("no column " + name);
  return 0;
}

}  // namespace

TEST_CASE("the text names run, ending, channels, plateau and numbers") {
  const std::string text = report::text(example());
  for (const char* part : {"cold-store-0301", "finished", "SB-P-11", "C-17",
                           "-25 °C, settled, from above, 5 sweeps in bath", "-25.0012", "90.20000 ohm", "-24.9800",
                           "0.0212", "0.0008", "10 x open_sensor", "118 lines", "shelf 4", "0.0205 (2)", "-0.0007"}) {
    INFO(part << "\n" << text);
    CHECK(text.find(part) != std::string::npos);
  }
  CHECK(text.find("Cautions") == std::string::npos);
}

TEST_CASE("the text fits 100 columns, however long the names are") {
  Results long_names = example();
  for (auto& one : long_names.channels) {
    one.name = std::string(64, 'n');
    one.serial = std::string(200, 's');
    one.type = std::string(100, 't');
    one.certificate = std::string(100, 'c');
  }
  long_names.channels[1].measures = Quantity::voltage;
  long_names.customer_reference = std::string(300, 'r');
  long_names.ending = "parked";
  long_names.ending_why = std::string(300, 'w');
  long_names.plateaus[0].why = "why " + std::string(250, 'y');
  long_names.plateaus[0].outcome = "not_settled";
  for (const auto& results : {example(), long_names})
    for (const auto& line : lines_of(report::text(results))) {
      INFO(line);
      CHECK(journal::columns(line) <= 100);
      CHECK((line.empty() || line.back() != ' '));
    }
}

TEST_CASE("what a reader must know first is said first") {
  Results results = example();
  results.ending.reset();
  results.verification.torn = journal::TornTail{1000, "{\"n\":"};
  results.speed = 600;
  results.accepted_overdue = {"SB-P-01"};
  results.unclosed = {{1, 40}};
  results.plateaus[0].outcome = "not_settled";
  results.plateaus[0].why = "settle took longer than 3600 s";
  results.plateaus[0].reference.missing = {0};
  CHECK(report::cautions(results).size() == 7);
  const std::string text = report::text(results);
  // A journal that is not closed may be one that is being written.
  CHECK(text.find("not closed: its run goes on, or ended without closing") != std::string::npos);
  CHECK(report::csv(results).find("not closed") != std::string::npos);
  // An up-and-down series has two plateaus at a setpoint: the number says which.
  CHECK(text.find("The run has not closed plateau 2 (40 °C)") != std::string::npos);
  CHECK(text.find("settle took longer than 3600 s") != std::string::npos);
  CHECK(text.find("no measurement of real sensors") != std::string::npos);
  CHECK(text.find("Cautions") < text.find("Plateau 1"));
  CHECK(report::cautions(example()).empty());
}

TEST_CASE("a comparison says from which side, and warns where the sides differ") {
  using results::Direction;
  results::Change same, other;
  same.serial = other.serial = "SB-P-01";
  same.earlier_from = same.later_from = Direction::up;
  const std::string quiet = report::changes(example(), example(), {same});
  CHECK(quiet.find("below") != std::string::npos);
  CHECK(quiet.find("hysteresis") == std::string::npos);
  other.earlier_from = Direction::down;
  other.later_from = Direction::up;
  const std::string warned = report::changes(example(), example(), {same, other});
  CHECK(warned.find("above, below") != std::string::npos);
  CHECK(warned.find("holds the item's hysteresis too") != std::string::npos);
}

TEST_CASE("no control byte of a hostile text reaches the terminal, JSON or CSV") {
  for (const auto& bad : hostile) {
    const Results results = with_text(bad);
    for (const auto& out : {report::text(results), report::csv(results), report::json(results)}) {
      for (const char c : out) {
        const auto byte = static_cast<unsigned char>(c);
        if ((byte < 0x20 && c != '\n' && c != '\r') || byte == 0x7f)
          FAIL("a control byte in\n" + journal::printable(out));
      }
      for (std::string line : lines_of(out)) {
        if (!line.empty() && line.back() == '\r') line.pop_back();
        CHECK(journal::printable(line) == line);
      }
    }
    CHECK(lines_of(report::csv(results)).size() == 3);
    CHECK(nlohmann::json::accept(report::json(results)));
  }
}

TEST_CASE("CSV has a row a plateau and item, with numbers that read back exactly") {
  const auto rows = cells_of(report::csv(example()));
  REQUIRE(rows.size() == 3);
  for (const auto& row : rows) CHECK(row.size() == rows[0].size());
  CHECK(rows[1][column(rows, "serial")] == "SB-P-11");
  CHECK(rows[1][column(rows, "setpoint_c")] == "-25");
  CHECK(rows[1][column(rows, "error_k")] == "0.0212");
  CHECK(rows[1][column(rows, "standard_error_k")] == "0.00025");
  CHECK(rows[1][column(rows, "raw_unit")] == "ohm");
  CHECK(rows[1][column(rows, "direction")] == "down");
  CHECK(rows[2][column(rows, "error_k")].empty());
  CHECK(rows[2][column(rows, "faults")] == "10");
  CHECK(rows[2][column(rows, "head")] == std::string(64, 'a'));
}

TEST_CASE("CSV text cells cannot start a formula, and numbers keep their sign") {
  for (const char* formula : {"=1+1", "+1", "-1", "@SUM(A1)", "\t=1", " =1", "=HYPERLINK(\"http://x\",\"y\")"}) {
    Results results = example();
    results.channels[1].serial = formula;
    const auto rows = cells_of(report::csv(results));
    INFO(formula);
    CHECK(rows[1][column(rows, "serial")].front() == '\'');
    CHECK(rows[1].size() == rows[0].size());
    CHECK(rows[1][column(rows, "reference_drift_k")] == "-0.0003");
  }
  Results results = example();
  results.channels[1].serial = "a,b \"c\"";
  const auto rows = cells_of(report::csv(results));
  CHECK(rows[1][column(rows, "serial")] == "a,b \"c\"");
}

TEST_CASE("JSON has the documented keys") {
  const auto json = nlohmann::ordered_json::parse(report::json(example()));
  CHECK(json["format"] == "nightwell-results/1");
  CHECK(json["journal"]["head"] == std::string(64, 'a'));
  CHECK(json["journal"]["torn_bytes"] == 0);
  CHECK(json["channels"].size() == 3);
  CHECK(json["channels"][0]["role"] == "reference");
  const auto& plateau = json["plateaus"][0];
  CHECK(plateau["reference"]["mean_c"] == -25.0012);
  CHECK(plateau["items"][0]["error_k"] == 0.0212);
  CHECK(plateau["items"][0]["serial"] == "SB-P-11");
  CHECK(plateau["items"][1]["error_k"].is_null());
  CHECK(plateau["items"][1]["faults"]["open_sensor"] == 10);
  CHECK(plateau["direction"] == "down");
  const auto& again = json["revisited"][0];
  CHECK(again["serial"] == "SB-P-11");
  CHECK(again["up"]["n"] == 2);
  CHECK(again["down"]["mean_k"] == 0.0212);
  CHECK(again["difference_k"] == -0.0007);
  CHECK(again["between_sd_k"] == 0.0004);
  CHECK(json["ending"] == "finished");
  Results unfinished = example();
  unfinished.ending.reset();
  CHECK(nlohmann::ordered_json::parse(report::json(unfinished))["ending"].is_null());
}

TEST_CASE("a line that several channels share says which, in text and JSON; a fraction has no unit") {
  Results results = example();
  results.lab_budget.emplace();
  ItemBudget budget;
  budget.lines = {{"s, resistance, common: gain",
                   "1",
                   uncertainty::Shape::rectangular,
                   2e-6,
                   std::nullopt,
                   12.5,
                   {{Enters::raw, 0, 138.5}, {Enters::raw, 1, 100}},
                   "manual",
                   0.0000144}};
  results.plateaus[0].items[0].budget = budget;
  const std::string text = report::budgets(results);
  INFO(text);
  CHECK(text.find("s, resistance, common: gain: one error in R1, X1") != std::string::npos);
  CHECK(text.find("2e-06 1") == std::string::npos);
  const auto json = nlohmann::ordered_json::parse(report::json(results));
  CHECK(json["plateaus"][0]["items"][0]["budget"]["lines"][0]["channels"] == std::vector<int>{0, 1});
}

TEST_CASE("numbers as text") {
  CHECK(report::fixed(-0.00001, 4) == "0.0000");
  CHECK(report::fixed(-0.00005001, 4) == "-0.0001");
  CHECK(report::fixed(std::nullopt, 4) == "-");
  CHECK(report::fixed(1e300, 4).size() == 306);
  CHECK(report::raw_text(0.00427934, Quantity::voltage) == "4.27934 mV");
  CHECK(report::raw_text(0.004, Quantity::current) == "4.00000 mA");
  CHECK(report::counted(1, "reading") == "1 reading");
}

TEST_CASE("long text is broken at blanks, and within words where it must be") {
  CHECK(report::wrapped("x  ", "aa bb cc", 8) == "x  aa bb\n   cc\n");
  CHECK(report::wrapped("", "abcdef", 4) == "abcd\nef\n");
  CHECK(report::wrapped("x ", "", 8) == "x\n");
  CHECK(report::fitted("abcdef", 4) == "abc…");
}

TEST_CASE("A sensor's history: text and JSON do no harm, whatever its cards say") {
  const auto card = [](const std::string& day, double r_tpw_ohm) {
    return Certificate{"\x1b]0;owned\a" + day + ".json",
                       "SB-\x1b[31m\xe2\x80\xae"
                       "1",
                       "C-17\x1b[2J\n" + std::string(150, 'x'),
                       day,
                       std::nullopt,
                       {0, 400},
                       thermometry::Sprt{r_tpw_ohm, std::nullopt, thermometry::SprtSubrange{8, {-1.2e-4, -9e-6}}}};
  };
  const auto history =
      drift_history({card("2023-01-01", 25.5), card("2023-03-01", 25.5001), card("2024-01-01", 25.5001)}, {});
  REQUIRE(history.ok());
  const std::string text = report::drift_history(*history);
  CHECK(text.find('\x1b') == std::string::npos);
  CHECK(text.find('\a') == std::string::npos);
  CHECK(text.find("\xe2\x80\xae") == std::string::npos);
  CHECK(text.find("\\x1b[31m") != std::string::npos);
  CHECK(text.find("U not known") != std::string::npos);
  CHECK(text.find("From 2023-01-01 to 2023-03-01 it is 59 days") != std::string::npos);
  CHECK(text.find("The card kept its coefficients.") != std::string::npos);
  CHECK(text.find("+0.1000 mohm") != std::string::npos);
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line);) {
    const bool to_be_copied = line.find("\"source\": ") != std::string::npos;
    CHECK((to_be_copied || journal::columns(line) <= 100));
  }

  const std::string as_json = report::drift_history_json(*history);
  for (const char c : as_json) CHECK((c == '\n' || (c >= ' ' && c <= '~')));
  const auto json = nlohmann::json::parse(as_json);
  CHECK(json["serial"] == history->serial);
  CHECK(json["certificates"][0]["u95_k"].is_null());
  CHECK(json["intervals"][0]["points"][0]["change_k"] == history->intervals[0].points[0].change_k);
  CHECK(json["intervals"][0]["triple_point"]["change_ohm"].get<double>() == Approx(1e-4));
  CHECK(json["intervals"][1]["same_coefficients"] == true);
  CHECK(json["cautions"].size() == 2);
  CHECK(json["budget"]["sensors"][history->serial][0]["each_year"] == true);
}

// Limits of deviation against derived cases and against the tables they come from (data/README.md: the thermocouple rows are
// mostly from memory).
#include "thermometry/tolerance.hpp"

#include "published.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

namespace {

// The names that the table of cases uses.
ToleranceWords words_of(const std::string& standard, const std::string& grade) {
  if (standard == "IEC60584-1") return {"IEC 60584-1", grade, ""};
  if (standard == "IEC60751 wire-wound thermometer") return {"IEC 60751", grade, "wire_wound"};
  return {standard, grade, ""};
}

// "0.004|t|", "0.75%" -> a fraction; nullopt for the formula of class 1, types R and S.
std::optional<double> fraction(const std::string& text) {
  if (text.back() == '%') return number(text.substr(0, text.size() - 1)) / 100;
  if (text.size() > 3 && text.substr(text.size() - 3) == "|t|") return number(text.substr(0, text.size() - 3));
  return std::nullopt;
}

void check_row(const Tolerance& tolerance, const nlohmann::json& row) {
  const double floor_k = row[0].is_null() ? 0 : number(row[0].get<std::string>());
  const auto of_t = fraction(row[1].get<std::string>());
  for (int i = 0; i <= 50; ++i) {
    const double low_c = row[2], high_c = row[3];
    const double t_c = low_c + (high_c - low_c) * i / 50;
    const double grown_k = of_t ? *of_t * std::abs(t_c) : (t_c > 1100 ? 1 + 0.003 * (t_c - 1100) : 1);
    INFO(name(tolerance) << " at " << t_c << " °C");
    REQUIRE(limit_k(tolerance, t_c).ok());
    CHECK(*limit_k(tolerance, t_c) == Approx(std::max(floor_k, grown_k)).margin(1e-12));
  }
}

}  // namespace

TEST_CASE("Every derived case of IEC 60584-1, ASTM E230, IEC 60751 and ASTM E1137") {
  const auto rows = csv("tolerance_cases.csv");
  CHECK(rows.size() == 195);
  for (const auto& row : rows) {
    INFO(row[0] << " class " << row[1] << ", " << row[2] << " at " << row[3] << " °C");
    const auto type = row[2] == "Pt" ? std::nullopt : thermocouple_type(row[2]);
    const auto found = tolerance(words_of(row[0], row[1]), type);
    REQUIRE(found.ok());
    const auto limit = limit_k(*found, number(row[3]));
    if (row[4] == "OUT_OF_RANGE") {
      REQUIRE(!limit.ok());
      CHECK(limit.error().code == Errc::out_of_range);
    } else {
      REQUIRE(limit.ok());
      CHECK(*limit == Approx(number(row[4])).margin(5e-5));  // printed in four decimals
    }
  }
}

TEST_CASE("IEC 60584-1, row by row: range, limit, and the classes that a type does not have") {
  const auto file = json_file("tc_tolerances.json");
  for (const std::string grade : {"1", "2", "3"}) {
    const auto& rows = file["classes"][grade];
    for (const char type : std::string("ABCEJKNRST")) {
      const std::string key(1, type);
      INFO("class " << grade << ", type " << type);
      const auto found = tolerance({"IEC 60584-1", grade, ""}, thermocouple_type(key));
      REQUIRE(found.ok() == rows.contains(key));
      if (!found) {
        CHECK(found.error().code == Errc::bad_input);
        continue;
      }
      check_row(*found, rows[key]);
      const double low_c = rows[key][2], high_c = rows[key][3];
      CHECK(span(*found)->low_c == low_c);
      CHECK(span(*found)->high_c == high_c);
      CHECK(limit_k(*found, low_c - 0.01).error().code == Errc::out_of_range);
      CHECK(limit_k(*found, high_c + 0.01).error().code == Errc::out_of_range);
    }
  }
}

TEST_CASE("ASTM E230, row by row, the rows below 0 °C among them") {
  const auto file = json_file("tc_tolerances.json");
  for (const std::string grade : {"standard", "special"}) {
    const auto& rows = file["astm_e230"][grade];
    std::string seen;
    for (const auto& [key, row] : rows.items()) {
      INFO(grade << ", " << key);
      const auto found = tolerance({"ASTM E230", grade, ""}, thermocouple_type(key.substr(0, 1)));
      REQUIRE(found.ok());
      check_row(*found, row);
      seen += key[0];
    }
    for (const char type : std::string("ABCEJKNRST"))
      CHECK(tolerance({"ASTM E230", grade, ""}, thermocouple_type(std::string(1, type))).ok() ==
            (seen.find(type) != std::string::npos));
  }
}

TEST_CASE("IEC 60751: constants, slopes and both builds' ranges") {
  const auto file = json_file("pt100_iec60751.json");
  for (const std::string grade : {"AA", "A", "B", "C"}) {
    for (const std::string build : {"wire_wound", "film"}) {
      const auto found = tolerance({"IEC 60751", grade, build}, std::nullopt);
      REQUIRE(found.ok());
      const auto& range = file["thermometer_validity_C"][grade][build];
      CHECK(span(*found)->low_c == range[0].get<double>());
      CHECK(span(*found)->high_c == range[1].get<double>());
      CHECK(limit_k(*found, range[1].get<double>() + 0.01).error().code == Errc::out_of_range);
    }
  }
}

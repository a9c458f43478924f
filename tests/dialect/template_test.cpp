// Templates: what they take, what they refuse, and that a hostile line costs no more than its length.
#include "dialect/template.hpp"

#include <catch2/catch.hpp>
#include <limits>

using namespace nightwell;
using namespace nightwell::dialect;

namespace {

std::vector<Field> fields() {
  NumberField number;
  number.decimals = 2;
  number.no_number = {{"OPEN", Errc::open_sensor}, {"OVER", Errc::overload}};
  NumberField padded = number;
  padded.padded = true;
  ChannelField channel;
  channel.lowest = 1;
  channel.highest = 20;
  channel.digits = 2;
  return {{"t", number},         {"p", padded},
          {"n", IntegerField()}, {"w", WordField()},
          {"x", TextField()},    {"u", UnitField{{{"C", Unit::celsius}, {"F", Unit::fahrenheit}}}},
          {"ch", channel},       {"s", StateField{{{"off", false}, {"on", true}}}}};
}

// What the first field took; nullopt: no match.
std::optional<std::string> taken(const std::string& pattern, std::string_view line, bool comma = false,
                                 std::string_view channel = "") {
  const auto known = fields();
  const auto parsed = parse_template(pattern, known);
  REQUIRE(parsed.ok());
  const auto found = match(*parsed, line, known, comma, channel);
  if (!found) return std::nullopt;
  return found->taken.empty() ? "" : std::string(found->taken.front().text);
}

}  // namespace

TEST_CASE("a template takes exactly what it describes", "[template]") {
  CHECK(taken("T={t}", "T=20.5") == "20.5");
  CHECK(taken("T={t}", "T=-.5e+1") == "-.5e+1");
  CHECK(taken("T={t} C", "T=+20 C") == "+20");
  CHECK(taken("T={t}{u}", "T=20.5F") == "20.5");
  CHECK(taken("{n},{x}", "-113,\"Undefined header\"") == "-113");
  CHECK(taken("{x};{n}", "a b,c;7") == "a b,c");
  CHECK(taken("{w} {s}", "pump-1 on") == "pump-1");
  CHECK(taken("{p}", "   20.5") == "20.5");
  CHECK(taken("{{{w}}}", "{a}") == "a");
  CHECK(taken("\\xB0{w}",
              "\xB0"
              "C") == "C");
  CHECK(taken("{ch}: {t}", "07: 1", false, "07") == "07");
  CHECK(taken("OK", "OK") == "");
}

TEST_CASE("a template refuses everything else", "[template]") {
  CHECK_FALSE(taken("T={t}", "T=20.5 "));
  CHECK_FALSE(taken("T={t}", "T= 20.5"));
  CHECK_FALSE(taken("T={t}", "T=20.5C"));
  CHECK_FALSE(taken("T={t}", "t=20.5"));
  CHECK_FALSE(taken("T={t}", "T=20,5"));
  CHECK_FALSE(taken("T={t}", "T=nan"));
  CHECK_FALSE(taken("T={t}", "T=0x10"));
  CHECK_FALSE(taken("T={t}", "T=--1"));
  CHECK_FALSE(taken("T={t}", "T=1e"));
  CHECK_FALSE(taken("T={t}", "T="));
  CHECK_FALSE(taken("T={t}{u}", "T=20.5K"));  // a unit that nobody declared is never guessed
  CHECK_FALSE(taken("T={t}{u}", "T=20.5"));
  CHECK_FALSE(taken("{n}", "1234567890"));
  CHECK_FALSE(taken("{ch}: {t}", "08: 1", false, "07"));  // another channel's answer
  CHECK_FALSE(taken("{s}", "offon"));
  CHECK_FALSE(taken("OK", "OK\n"));
  CHECK_FALSE(taken("{x}", ""));
}

TEST_CASE("a decimal comma is one where the dialect says so, and only there", "[template]") {
  CHECK(taken("{t}", "20,5", true) == "20,5");
  CHECK_FALSE(taken("{t}", "20.5", true));
  CHECK_FALSE(taken("{t}", "1.234,5", true));
  CHECK_FALSE(taken("{t}", "1,234.5"));
}

TEST_CASE("numbers come out in °C and volt, exactly as declared", "[template]") {
  NumberField field;
  CHECK(number_of("68", field, false, Unit::fahrenheit).value() == Approx(20).margin(1e-12));
  CHECK(number_of("-40", field, false, Unit::fahrenheit).value() == Approx(-40).margin(1e-12));
  CHECK(number_of("273.15", field, false, Unit::kelvin).value() == 0);
  CHECK(number_of("-0,5", field, true, Unit::celsius).value() == -0.5);
  CHECK(number_of("1234.5", field, false, Unit::microvolt).value() == Approx(0.0012345).epsilon(1e-14));
  CHECK(number_of("9.9E37", field, false, Unit::celsius).error().code == Errc::overload);
  CHECK(number_of("9.91E37", field, false, Unit::celsius).error().code == Errc::open_sensor);
  CHECK(number_of("1e31", field, false, Unit::celsius).error().code == Errc::garbled);
  field.factor = 0.1;  // tenths of a degree without a point
  field.offset = -50;
  CHECK(number_of("705", field, false, Unit::celsius).value() == Approx(20.5).margin(1e-12));
}

TEST_CASE("numbers are written as the field says and read back the same", "[template]") {
  NumberField field;
  field.decimals = 2;
  field.unit = Unit::celsius;
  CHECK(number_text(-38.8344, field, false).value() == "-38.83");
  CHECK(number_text(-0.001, field, false).value() == "0.00");
  CHECK(number_text(20.5, field, true).value() == "20,50");
  field.width = 7;
  field.plus = true;
  CHECK(number_text(20.5, field, false).value() == "+020.50");
  CHECK(number_text(-5, field, false).value() == "-005.00");
  CHECK(number_text(12345, field, false).error().code == Errc::bad_input);
  for (const double bad : {std::numeric_limits<double>::quiet_NaN(), std::numeric_limits<double>::infinity(), 1e300})
    CHECK(number_text(bad, field, false).error().code == Errc::bad_input);
  NumberField fahrenheit;
  fahrenheit.decimals = 1;
  fahrenheit.unit = Unit::fahrenheit;
  CHECK(number_text(20, fahrenheit, false).value() == "68.0");
  NumberField kelvin;
  kelvin.decimals = 3;
  kelvin.unit = Unit::kelvin;
  for (double t_c = -80; t_c <= 700; t_c += 0.37) {
    const std::string text = number_text(t_c, kelvin, false).value();
    CHECK(number_of(text, kelvin, false, std::nullopt).value() == Approx(t_c).margin(0.0005001));
  }
}

TEST_CASE("only numbers of ours and declared channels get into a command (S14)", "[template]") {
  const auto known = fields();
  Values values;
  values.number = 20.5;
  values.channel = "07";
  CHECK(fill_in(*parse_template("S{t} {ch}", known), known, false, values).value() == "S20.50 07");
  CHECK(fill_in(*parse_template("S{x}", known), known, false, values).error().code == Errc::bad_input);
  CHECK(fill_in(*parse_template("S{t}", known), known, false, Values()).error().code == Errc::bad_input);
}

TEST_CASE("templates that could be read in two ways are refused", "[template]") {
  const auto known = fields();
  for (const char* pattern : {"{t}{n}", "{x}{t}", "{w}{w}", "{n}{x}"})
    CHECK_FALSE(ambiguity(*parse_template(pattern, known), known).empty());
  for (const char* pattern : {"{t}{u}", "{t} {n}", "{s}{t}", "{x};{x}"})
    CHECK(ambiguity(*parse_template(pattern, known), known).empty());
  for (const char* pattern : {"{", "}", "{nobody}", "\\q", "\\x4", "{t"})
    CHECK_FALSE(parse_template(pattern, known).ok());
  std::string many;
  for (int i = 0; i < 65; ++i) many += "{s},";
  CHECK_FALSE(parse_template(many, known).ok());
  CHECK_FALSE(parse_template(std::string(1025, 'a'), known).ok());
}

TEST_CASE("a hostile line costs in proportion to its length (S13)", "[template]") {
  const auto known = fields();
  std::string pattern;
  for (int i = 0; i < 60; ++i) pattern += "{x},";
  const auto parsed = parse_template(pattern + "end", known);
  REQUIRE(parsed.ok());
  // A matcher that goes back would try some n^60 / 60! ways here, and even a quadratic one would still be at it tomorrow.
  const std::string line = std::string(10'000'000, 'a') + "," + std::string(10'000'000, ',');
  CHECK_FALSE(match(*parsed, line, known, false, ""));
  std::string fitting;
  for (int i = 0; i < 60; ++i) fitting += std::string(50'000, 'a') + ",";
  CHECK(match(*parsed, fitting + "end", known, false, ""));
}

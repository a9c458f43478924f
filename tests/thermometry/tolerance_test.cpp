// Tolerances as values: names, words there and back, own limits, what is refused and how it says so.
#include "thermometry/tolerance.hpp"

#include <catch2/catch.hpp>
#include <cmath>

#include "sensors.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;

TEST_CASE("Names for people") {
  CHECK(name(Iec60584Tolerance{Iec60584Class::one, ThermocoupleType::k}) == "IEC 60584-1 class 1, type K");
  CHECK(name(AstmE230Tolerance{AstmE230Grade::special, ThermocoupleType::t}) == "ASTM E230 special tolerance, type T");
  CHECK(name(Iec60751Tolerance{Iec60751Class::aa, PlatinumBuild::film}) == "IEC 60751 class AA, film");
  CHECK(name(AstmE1137Tolerance{AstmE1137Grade::a}) == "ASTM E1137 grade A");
  CHECK(name(OwnTolerance{0.5, 0}) == "own limit, 0.5 K");
  CHECK(name(OwnTolerance{0.5, 0.002}) == "own limit, 0.5 K + 0.002 |t|");
}

TEST_CASE("The words of every tolerance lead back to it") {
  std::vector<Tolerance> all;
  for (const auto grade : {Iec60751Class::aa, Iec60751Class::a, Iec60751Class::b, Iec60751Class::c})
    for (const auto build : {PlatinumBuild::wire_wound, PlatinumBuild::film})
      all.emplace_back(Iec60751Tolerance{grade, build});
  for (const auto grade : {AstmE1137Grade::a, AstmE1137Grade::b}) all.emplace_back(AstmE1137Tolerance{grade});
  for (const auto& one : all) {
    const auto back = tolerance(*words(one), std::nullopt);
    REQUIRE(back.ok());
    CHECK(name(*back) == name(one));
  }
  const auto thermocouple = [](const Tolerance& one, ThermocoupleType type) {
    if (!span(one)) return;
    const auto back = tolerance(*words(one), type);
    REQUIRE(back.ok());
    CHECK(name(*back) == name(one));
  };
  for (const auto type : tests::all_types) {
    for (const auto grade : {Iec60584Class::one, Iec60584Class::two, Iec60584Class::three})
      thermocouple(Iec60584Tolerance{grade, type}, type);
    for (const auto grade : {AstmE230Grade::standard, AstmE230Grade::special})
      thermocouple(AstmE230Tolerance{grade, type}, type);
  }
  CHECK(!words(OwnTolerance{1, 0}));
}

TEST_CASE("An own limit: a constant and a fraction of |t|") {
  CHECK(*limit_k(OwnTolerance{0.5, 0}, -80) == Approx(0.5));
  CHECK(*limit_k(OwnTolerance{0.5, 0.002}, -100) == Approx(0.7));
  CHECK(*limit_k(OwnTolerance{0.5, 0.002}, 1000) == Approx(2.5));
  CHECK(limit_k(OwnTolerance{0.5, 0}, -274).error().code == Errc::out_of_range);
  CHECK(limit_k(OwnTolerance{0.5, 0}, NAN).error().code == Errc::out_of_range);
  for (const OwnTolerance bad : {OwnTolerance{0, 0}, OwnTolerance{-1, 0.1}, OwnTolerance{1, -0.1}, OwnTolerance{NAN, 0},
                                 OwnTolerance{HUGE_VAL, 0}})
    CHECK(limit_k(bad, 20).error().code == Errc::bad_input);
}

TEST_CASE("What is refused says what there is instead") {
  const auto no_class = limit_k(Iec60584Tolerance{Iec60584Class::three, ThermocoupleType::j}, 0);
  REQUIRE(!no_class.ok());
  CHECK(no_class.error().code == Errc::bad_input);
  CHECK(no_class.error().text() ==
        "IEC 60584-1 class 3, type J: the standard has no such class for type J; name another class, or limits of your "
        "own");
  const auto beyond = limit_k(Iec60584Tolerance{Iec60584Class::one, ThermocoupleType::k}, 1000.5);
  REQUIRE(!beyond.ok());
  CHECK(beyond.error().text() == "IEC 60584-1 class 1, type K: 1000.5 °C is outside -40 to 1000 °C");
  const auto word = tolerance({"IEC 60751", "1/3 B", "film"}, std::nullopt);
  REQUIRE(!word.ok());
  CHECK(word.error().text() == R"(tolerance IEC 60751: "1/3 B" is not one of "AA", "A", "B", "C")");
  CHECK(tolerance({"IEC 60751", "A", ""}, std::nullopt).error().code == Errc::bad_input);
  CHECK(tolerance({"IEC 60584", "1", ""}, ThermocoupleType::k).error().code == Errc::bad_input);
  CHECK(tolerance({"IEC 60584-1", "1", ""}, std::nullopt).error().code == Errc::bad_input);
  CHECK(tolerance({"IEC 60751", "A", "film"}, ThermocoupleType::k).error().code == Errc::bad_input);
}

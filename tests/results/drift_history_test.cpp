// A sensor over its certificates: planted drifts come back, and what is no history of one sensor is refused.
#include "results/drift_history.hpp"

#include <catch2/catch.hpp>
#include <cmath>

#include "plan/budget_json.hpp"
#include "results/days.hpp"

using namespace nightwell;
using namespace nightwell::results;
using namespace nightwell::thermometry;

namespace {

constexpr double sprt_r_ohm = 25.5;

Certificate certificate(const std::string& calibrated, SensorModel model) {
  return {calibrated + ".json", "SB-REF-1", "SB-REF-1/" + calibrated, calibrated, 0.002, {-38, 400}, std::move(model)};
}

Sprt sprt(double r_tpw_ohm) {
  return {r_tpw_ohm, SprtSubrange{5, {-1.2e-4, 1e-5}}, SprtSubrange{8, {-1.2e-4, -9e-6}}};
}

// R at 0.01 °C that has risen by so many kelvins: dWr/dT there is 3.98834e-3 (slope of the ITS-90 reference function, from memory).
double risen_ohm(double by_k) {
  const auto slope = sensitivity_per_k(sprt(sprt_r_ohm), 0.01);
  REQUIRE(*slope == Approx(sprt_r_ohm * 3.98834e-3).epsilon(2e-4));
  return sprt_r_ohm + by_k * *slope;
}

// Four years of it, a millikelvin a year; not in order.
std::vector<Certificate> drifting_sprt() {
  return {certificate("2025-03-01", sprt(risen_ohm(0.002))), certificate("2023-03-01", sprt(sprt_r_ohm)),
          certificate("2024-02-29", sprt(risen_ohm(0.001)))};
}

Error refused(std::vector<Certificate> cards, std::vector<double> at_c = {}) {
  const auto found = drift_history(std::move(cards), std::move(at_c));
  REQUIRE_FALSE(found.ok());
  return found.error();
}

bool says(const Error& error, const std::string& words) {
  return error.text().find(words) != std::string::npos;
}

}  // namespace

TEST_CASE("An SPRT whose R at the triple point rises by 1 mK a year: found, sorted by date") {
  const auto found = drift_history(drifting_sprt(), {0.01, 0, 100});
  if (!found) FAIL(found.error().text());
  CHECK(found->serial == "SB-REF-1");
  CHECK(found->kind == "sprt");
  REQUIRE(found->certificates.size() == 3);
  CHECK(found->certificates[0].calibrated == "2023-03-01");
  CHECK(found->certificates[2].calibrated == "2025-03-01");
  CHECK(found->range.low_c == -38);
  CHECK(found->range.high_c == 400);
  REQUIRE(found->intervals.size() == 2);
  CHECK(found->measured == 2);
  CHECK(found->intervals[0].days == 365);  // to the leap day
  CHECK(found->intervals[1].days == 366);
  for (const DriftInterval& interval : found->intervals) {
    REQUIRE(interval.points.size() == 3);
    CHECK_FALSE(interval.same_coefficients);
    CHECK(interval.points[0].change_k == Approx(0.001).margin(1e-6));
    CHECK(interval.points[1].change_k == Approx(0.001).margin(1e-6));
    CHECK(interval.points[0].per_year_k == Approx(0.001 * 365.25 / interval.days).margin(1e-6));
    REQUIRE(interval.triple_point);
    CHECK(interval.triple_point->change_k == Approx(0.001).margin(1e-6));
    CHECK(interval.triple_point->change_ohm == Approx(1.017e-4).epsilon(1e-3));
    CHECK(*interval.u95_k == Approx(0.002 * std::sqrt(2.0)));
    CHECK(interval.points[0].within_u == true);
    // At 100 °C the same part of R is more kelvins: R / (dR/dT) has grown.
    const double there = sprt_r_ohm * 3.98834e-3 / *raw_value(sprt(sprt_r_ohm), 0.01, {}) *
                         *raw_value(sprt(sprt_r_ohm), 100, {}) / *sensitivity_per_k(sprt(sprt_r_ohm), 100);
    CHECK(interval.points[2].change_k == Approx(0.001 * there).margin(1e-6));
  }
}

TEST_CASE("The change is how much too high a reading with the earlier card is, whichever way the signal goes") {
  struct Planted {
    SensorModel earlier, later;
    double t_c;
  };
  const Platinum pt{100, 3.9083e-3, -5.775e-7, -4.183e-12};
  Platinum risen = pt;
  risen.r0_ohm = 100.01;
  const std::vector<Planted> all{
      {pt, risen, 150},
      {Thermocouple{ThermocoupleType::s, {}}, Thermocouple{ThermocoupleType::s, {0, 0.002}}, 300},
      {Thermocouple{ThermocoupleType::s, {}}, Thermocouple{ThermocoupleType::s, {0, -0.002}}, 300},
      {Thermistor{1.1292e-3, 2.3411e-4, 8.7755e-8, -40, 120}, Thermistor{1.12925e-3, 2.3411e-4, 8.7755e-8, -40, 120},
       30},
      // One kind, two equations.
      {Thermistor{1.1292e-3, 2.3411e-4, 8.7755e-8, -40, 120},
       ThermistorPolynomial{{1.12915e-3, 2.3411e-4, 0, 8.7755e-8}, -40, 120}, 30}};
  for (const auto& [earlier, later, t_c] : all) {
    const auto found = drift_history({certificate("2024-01-01", earlier), certificate("2025-01-01", later)}, {t_c});
    REQUIRE(found.ok());
    const double change_k = found->intervals[0].points[0].change_k;
    const double too_high_k = *temperature_c(earlier, *raw_value(later, t_c, 0), 0) - t_c;
    INFO(change_k);
    CHECK(std::abs(change_k) > 1e-3);
    CHECK(change_k == Approx(too_high_k).epsilon(1e-3));
  }
}

TEST_CASE("The largest drift of a year, as a line that a lab's budget reads") {
  auto cards = drifting_sprt();
  cards.push_back(certificate("2025-09-01", sprt(risen_ohm(0.0005))));  // falls by 1.5 mK within 184 days
  const auto found = drift_history(cards, {0.01});
  REQUIRE(found.ok());
  REQUIRE(found->largest);
  CHECK(found->largest->interval == 2);
  CHECK(found->largest->point.per_year_k == Approx(-0.0015 * 365.25 / 184).margin(1e-6));
  REQUIRE(found->effect);
  CHECK(found->effect->constant == 0.003);  // 2.98 mK, rounded up
  CHECK(found->effect->each_year);
  CHECK(found->effect->source ==
        "largest of 3 intervals between certificates, 2025-03-01 to 2025-09-01, at 0.01 °C; within their U95");

  uncertainty::LabBudget lab;
  lab.rule_source = "a test";
  auto text = plan::budget_json(lab);
  text["sensors"][found->serial] = {plan::effect_json(*found->effect, "k")};
  const auto read = plan::budget_from_json(text);
  if (!read) FAIL(read.error().text());
  const auto& effects = read->sensors.at("SB-REF-1");
  REQUIRE(effects.size() == 1);
  CHECK(effects[0].constant == found->effect->constant);
  CHECK(effects[0].shape == uncertainty::Shape::rectangular);
  CHECK(effects[0].each_year);
  CHECK(effects[0].source == found->effect->source);
}

TEST_CASE("A half-width is never rounded down") {
  for (const double by_k : {0.00123, 0.0101, 0.099999, 0.5, 1.0, 12.34}) {
    const auto found =
        drift_history({certificate("2023-01-01", Thermistor{1.1292e-3, 2.3411e-4, 8.7755e-8, -40, 120}),
                       certificate("2024-01-01", Thermistor{1.1292e-3 - by_k / 9e4, 2.3411e-4, 8.7755e-8, -40, 120})},
                      {30});
    REQUIRE(found.ok());
    const double per_year_k = std::abs(found->largest->point.per_year_k);
    INFO(per_year_k);
    CHECK(found->effect->constant >= per_year_k * (1 - 1e-6));
    CHECK(found->effect->constant <= per_year_k * 1.1);
  }
}

TEST_CASE("Beyond, within, not known: by both certificates together") {
  auto cards = drifting_sprt();
  cards[1].u95_k = 0.0004, cards[2].u95_k = 0.0003;  // together 0.5 mK
  cards[0].u95_k = std::nullopt;
  const auto found = drift_history(cards, {0.01});
  REQUIRE(found.ok());
  CHECK(*found->intervals[0].u95_k == Approx(0.0005));
  CHECK(found->intervals[0].points[0].within_u == false);
  CHECK_FALSE(found->intervals[1].u95_k);
  CHECK_FALSE(found->intervals[1].points[0].within_u.has_value());
}

TEST_CASE("A card that kept its coefficients says nothing about the sensor") {
  const auto found =
      drift_history({certificate("2023-03-01", sprt(sprt_r_ohm)), certificate("2024-03-01", sprt(sprt_r_ohm)),
                     certificate("2025-03-01", sprt(risen_ohm(0.001)))},
                    {});
  REQUIRE(found.ok());
  CHECK(found->intervals[0].same_coefficients);
  CHECK(found->measured == 1);
  CHECK(found->largest->interval == 1);
  const auto nothing =
      drift_history({certificate("2023-03-01", sprt(sprt_r_ohm)), certificate("2024-03-01", sprt(sprt_r_ohm))}, {});
  REQUIRE(nothing.ok());
  CHECK_FALSE(nothing->largest);
  CHECK_FALSE(nothing->effect);
}

TEST_CASE("Temperatures left out: the ends that all cards have, three between, and the point that is watched") {
  const auto temperatures = [](const std::vector<Certificate>& cards) {
    const auto found = drift_history(cards, {});
    REQUIRE(found.ok());
    std::vector<double> out;
    for (const auto& point : found->intervals[0].points) out.push_back(point.t_c);
    return out;
  };
  CHECK(temperatures(drifting_sprt()) == std::vector<double>{-38, 0.01, 72, 181, 291, 400});
  Platinum later;
  later.r0_ohm = 100.01;
  auto earlier_card = certificate("2023-01-01", Platinum{}), later_card = certificate("2024-01-01", later);
  earlier_card.limits = {-50, 150}, later_card.limits = {-80, 150};
  CHECK(temperatures({earlier_card, later_card}) == std::vector<double>{-50, 0, 50, 100, 150});
  earlier_card.limits = {0.02, 1};  // 0.02 is near the ice point, which it does not have
  CHECK(temperatures({earlier_card, later_card}) ==
        std::vector<double>{0.02, 0.02 + 0.98 / 4, 0.51, 0.02 + 3 * 0.98 / 4, 1});
  // The model's range counts too: both ends of a thermistor's.
  const Thermistor bead{1.1292e-3, 2.3411e-4, 8.7755e-8, 0, 60}, moved{1.1293e-3, 2.3411e-4, 8.7755e-8, -20, 100};
  CHECK(temperatures({certificate("2023-01-01", bead), certificate("2024-01-01", moved)}) ==
        std::vector<double>{0, 15, 30, 45, 60});
}

TEST_CASE("What is no history of one sensor is refused, with the card's file and key") {
  auto cards = drifting_sprt();
  CHECK(says(refused({cards[0]}), "it takes 2 to 1000 cards, not 1"));
  auto other = cards;
  other[2].serial = "SB-REF-2";
  CHECK(says(refused(other), "(2024-02-29.json: /serial): found SB-REF-2, but 2025-03-01.json is of SB-REF-1"));
  auto kinds = cards;
  kinds[1].model = Platinum{};
  CHECK(says(refused(kinds), "(2023-03-01.json: /model): found platinum, but 2025-03-01.json has sprt"));
  CHECK(says(refused({certificate("2023-01-01", Thermocouple{ThermocoupleType::k, {}}),
                      certificate("2024-01-01", Thermocouple{ThermocoupleType::n, {}})}),
             "found thermocouple N, but 2023-01-01.json has thermocouple K"));
  auto undated = cards;
  undated[1].calibrated = "";
  CHECK(says(refused(undated), "(2023-03-01.json: /calibrated): found no date"));
  auto twice = cards;
  twice[1].calibrated = twice[2].calibrated;
  CHECK(says(refused(twice), "(2024-02-29.json: /calibrated): found 2024-02-29, the date of 2023-03-01.json too"));
  auto apart = cards;
  apart[0].limits = {-38, 0}, apart[1].limits = {100, 200};
  CHECK(says(refused(apart), "nothing in common"));
  CHECK(says(refused({certificate("2023-01-01", Indicated{}), certificate("2024-01-01", Indicated{})}),
             "no coefficients"));
  const Error outside = refused(cards, {0, 400.1});
  CHECK(outside.code == Errc::out_of_range);
  CHECK(says(outside, "400.1 °C is outside -38 °C to 400 °C"));
  CHECK(refused(cards, {std::nan("")}).code == Errc::out_of_range);
  CHECK(drift_history(cards, {400 + 1e-13}).ok());
  auto impossible = cards;
  impossible[2].model = sprt(-1);
  const Error bad = refused(impossible);
  CHECK(bad.where == "2024-02-29.json");
  CHECK(bad.code == Errc::bad_input);
}

TEST_CASE("Days of the calendar") {
  CHECK((*day_of("2024-03-01") - *day_of("2024-02-28")).count() == 2);
  CHECK(day_of("2026-11-25T20:15:03Z") == day_of("2026-11-25"));
  for (const char* text : {"", "2023-02-29", "2026-13-01", "2026-1-1"}) CHECK_FALSE(day_of(text));
}

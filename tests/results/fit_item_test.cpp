// An item's coefficients out of a run's plateaus: planted ones come back, and what cannot be fitted is said.
#include "results/fit_item.hpp"

#include <catch2/catch.hpp>
#include <cmath>

using namespace nightwell;
using namespace nightwell::results;

namespace {

// A run with one item, whose true model is `truth` and whose card says `card`; the reference is right. Thermocouples have
// a junction channel at 23 °C.
Results run_of(const thermometry::SensorModel& truth, const thermometry::SensorModel& card,
               const std::vector<double>& setpoints_c) {
  const bool thermocouple = std::holds_alternative<thermometry::Thermocouple>(card);
  const std::optional<double> junction = thermocouple ? std::optional(23.0) : std::nullopt;
  Results out;
  out.channels.resize(3);
  out.channels[0].role = Role::reference;
  out.channels[1].name = "c1";
  out.channels[1].serial = "SB-X-1";
  out.channels[1].model = card;
  out.channels[2].role = Role::junction;
  if (thermocouple) out.channels[1].junction = JunctionChannel{2};
  for (const double setpoint_c : setpoints_c) {
    Plateau plateau;
    plateau.index = out.plateaus.size();
    plateau.setpoint_c = setpoint_c;
    plateau.reference.drift_k = 0.0;
    Readings block;
    block.channel = 2;
    block.mean_c = junction;
    plateau.junctions = {block};
    Item item;
    item.readings.channel = 1;
    item.readings.n = 10;
    item.readings.raw_mean = *thermometry::raw_value(truth, setpoint_c, junction);
    item.readings.mean_c = *thermometry::temperature_c(card, *item.readings.raw_mean, junction);
    item.error_k = *item.readings.mean_c - setpoint_c;
    item.standard_error_k = 0.001;
    plateau.items = {item};
    out.plateaus.push_back(plateau);
  }
  return out;
}

}  // namespace

TEST_CASE("A platinum thermometer's own R0, A and B come back from plateaus read with the standard's") {
  const thermometry::Platinum truth{100.05, 3.9102e-3, -5.79e-7, -4.183e-12};
  const Results results = run_of(truth, thermometry::Platinum{}, {0, 50, 100, 150, 200});
  const auto fit = fit_item(results, "SB-X-1", {});
  REQUIRE(fit.ok());
  const auto& found = std::get<thermometry::Platinum>(fit->fit.model);
  CHECK(found.r0_ohm == Approx(truth.r0_ohm).epsilon(1e-9));
  CHECK(found.a_per_c == Approx(truth.a_per_c).epsilon(1e-7));
  CHECK(found.b_per_c2 == Approx(truth.b_per_c2).epsilon(1e-4));
  CHECK(fit->points.size() == 5);
  CHECK(fit->fit.range.high_c == Approx(200).margin(1e-6));
  for (const auto& point : fit->fit.points) CHECK(std::abs(point.residual_k) < 1e-6);
  CHECK_FALSE(fit->u95_k);  // no budget
}

TEST_CASE("A thermocouple's deviation is found through its junction, not beside it") {
  const thermometry::Thermocouple truth{thermometry::ThermocoupleType::n, {0, 0.05, 1e-4}};
  const thermometry::Thermocouple card{thermometry::ThermocoupleType::n, {}};
  // The junction's side follows the reference function: the deviation belongs to the wires up to there.
  Results results = run_of(card, card, {100, 200, 300, 400, 500});
  for (Plateau& plateau : results.plateaus) {
    Readings& readings = plateau.items[0].readings;
    const double t_c = plateau.setpoint_c;
    readings.raw_mean = *readings.raw_mean + (0.05 * t_c + 1e-4 * t_c * t_c) * 1e-6;
    readings.mean_c = *thermometry::temperature_c(card, *readings.raw_mean, 23.0);
    plateau.items[0].error_k = *readings.mean_c - t_c;
  }
  const auto fit = fit_item(results, "c1", {});
  REQUIRE(fit.ok());
  const auto& found = std::get<thermometry::Thermocouple>(fit->fit.model);
  REQUIRE(found.deviation_uv.size() == 3);
  CHECK(found.deviation_uv[0] == 0);
  CHECK(found.deviation_uv[1] == Approx(truth.deviation_uv[1]).epsilon(1e-4));
  CHECK(found.deviation_uv[2] == Approx(truth.deviation_uv[2]).epsilon(1e-4));
}

TEST_CASE("A thermistor's equation is the card's, or a polynomial of the degree asked for") {
  const thermometry::ThermistorPolynomial truth{{1.1595e-3, 2.2496e-4, 8.564e-7, 6.3831e-8}, -40, 120};
  const thermometry::Thermistor card{1.13e-3, 2.34e-4, 8.8e-8, -40, 120};
  const Results results = run_of(truth, card, {-30, -15, 0, 15, 30, 50, 70, 90});
  FitOptions options;
  const auto steinhart_hart = fit_item(results, "c1", options);
  REQUIRE(steinhart_hart.ok());
  CHECK(std::holds_alternative<thermometry::Thermistor>(steinhart_hart->fit.model));
  options.degree = 3;
  const auto polynomial = fit_item(results, "c1", options);
  REQUIRE(polynomial.ok());
  const auto& found = std::get<thermometry::ThermistorPolynomial>(polynomial->fit.model);
  REQUIRE(found.coefficients.size() == 4);
  for (std::size_t i = 0; i < 4; ++i) CHECK(found.coefficients[i] == Approx(truth.coefficients[i]).epsilon(1e-5));
  CHECK(found.low_c == -40);
  CHECK(found.high_c == 120);

  const Results again = run_of(truth, truth, {-30, -15, 0, 15, 30, 50, 70, 90});
  options.degree = std::nullopt;
  const auto own = fit_item(again, "c1", options);
  REQUIRE(own.ok());
  CHECK(std::get<thermometry::ThermistorPolynomial>(own->fit.model).coefficients.size() == 4);
  options.degree = 9;
  CHECK(fit_item(again, "c1", options).error().detail.find("1 to 5") != std::string::npos);
}

TEST_CASE("What cannot be fitted is said") {
  const Results results = run_of(thermometry::Platinum{}, thermometry::Platinum{}, {0, 50});
  CHECK(fit_item(results, "c1", {}).error().code == Errc::bad_input);  // three coefficients, two plateaus
  const auto unknown = fit_item(results, "c9", {});
  CHECK(unknown.error().code == Errc::not_found);
  CHECK(unknown.error().detail.find("its items are c1") != std::string::npos);
  const thermometry::CurrentTransmitter transmitter;
  CHECK(fit_item(run_of(transmitter, transmitter, {0, 50, 100}), "c1", {}).error().detail.find("transmitter") !=
        std::string::npos);
}

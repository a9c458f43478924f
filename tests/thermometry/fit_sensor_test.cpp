// Fits of every kind: planted coefficients come back from exact points, one left out is really left out, warnings, refusals.
#include "thermometry/fit_sensor.hpp"

#include <catch2/catch.hpp>
#include <cmath>

#include "fit_kinds.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

TEST_CASE("Exact points give the planted coefficients back") {
  for (const auto& kind : fit_kinds()) {
    INFO(kind.name);
    const auto points = exact_points(kind);
    const auto fit = kind.fit(points);
    REQUIRE(fit.ok());
    REQUIRE(fit->coefficients.size() == kind.truth.size());
    // The reference function is 5e-9 off 1 at 0.01 °C, where W is 1 by definition: 1.2 uK of what is planted.
    const double share = kind.temperatures_c.front() == 0.01 ? 0.02 : 1e-3;
    for (std::size_t i = 0; i < kind.truth.size(); ++i) {
      const double u = std::sqrt(fit->covariance.at(i, i));
      CHECK(fit->coefficients[i] == Approx(kind.truth[i]).epsilon(1e-6).margin(share * u));
    }
    for (const auto& point : points) {
      if (kind.circuit_constant) continue;  // the card takes it away; a test of its own below
      CHECK(*temperature_c(fit->model, point.raw, 0) == Approx(point.t_c).margin(2e-6));
    }
    CHECK(fit->range.low_c == kind.temperatures_c.front());
    CHECK(fit->range.high_c == kind.temperatures_c.back());
    CHECK(fit->warnings.empty());
  }
}

TEST_CASE("Residuals are the fitted sensor minus the reference; one left out is really left out") {
  for (const auto& kind : fit_kinds()) {
    // A constant of the circuit is no part of the sensor: nothing to compare with. R at the triple point is no row.
    if (kind.circuit_constant) continue;
    INFO(kind.name);
    auto points = exact_points(kind);
    for (std::size_t i = 0; i < points.size(); ++i) points[i].t_c += (i % 3 == 0 ? 2 : -1) * points[i].u_k;
    const auto fit = kind.fit(points);
    REQUIRE(fit.ok());
    for (std::size_t i = 0; i < points.size(); ++i) {
      INFO("point " << i << " at " << points[i].t_c << " °C");
      const auto shown_c = [&](const SensorFit& by) { return *temperature_c(by.model, points[i].raw, 0); };
      const bool has_a_range =
          std::holds_alternative<Thermistor>(fit->model) || std::holds_alternative<ThermistorPolynomial>(fit->model);
      if (!has_a_range || (i > 0 && i + 1 < points.size()))
        CHECK(fit->points[i].residual_k == Approx(shown_c(*fit) - points[i].t_c).epsilon(1e-2).margin(2e-6));
      if (!fit->points[i].leave_one_out_k) continue;
      if (i == 0 || i + 1 == points.size()) continue;  // a thermistor's card would end before the point
      auto others = points;
      others.erase(others.begin() + static_cast<std::ptrdiff_t>(i));
      const auto without = kind.fit(others);
      REQUIRE(without.ok());
      CHECK(*fit->points[i].leave_one_out_k == Approx(shown_c(*without) - points[i].t_c).epsilon(1e-2).margin(2e-6));
    }
  }
}

TEST_CASE("The uncertainty of R at the triple point is common to all ratios: it moves the curve, not the residuals") {
  const Sprt truth{25.4817, std::nullopt, SprtSubrange{8, {-1.6e-4, -9e-6}}};
  std::vector<FitPoint> points;
  for (const double t_c : {100.0, 150.0, 200.0, 250.0, 300.0, 350.0, 400.0})
    points.push_back({t_c, *raw_value(truth, t_c, std::nullopt), 1e-4, 0});
  const double u_r_ohm = 25.4817 * 4e-6;  // 1 mK
  const auto exact = fit_sprt(points, {8, 25.4817, 0}), doubtful = fit_sprt(points, {8, 25.4817, u_r_ohm});
  const auto moved = fit_sprt(points, {8, 25.4817 + u_r_ohm, 0});
  REQUIRE((exact.ok() && doubtful.ok() && moved.ok()));
  CHECK(exact->covariance.at(0, 0) == 0);
  CHECK(std::sqrt(doubtful->covariance.at(0, 0)) == Approx(u_r_ohm));
  for (const std::size_t i : {1u, 2u}) {
    const double shift = moved->coefficients[i] - exact->coefficients[i];
    CHECK(doubtful->covariance.at(i, i) - exact->covariance.at(i, i) == Approx(shift * shift).epsilon(0.01));
    CHECK(doubtful->covariance.at(0, i) == Approx(shift * u_r_ohm).epsilon(0.01));
  }
}

TEST_CASE("The curve's uncertainty is smaller in the middle of the points than outside") {
  const auto kinds = fit_kinds();
  const auto& platinum = kinds[2];
  const auto fit = platinum.fit(exact_points(platinum));
  REQUIRE(fit.ok());
  const double inside_k = *curve_u_k(*fit, fit->covariance, 100), outside_k = *curve_u_k(*fit, fit->covariance, 600);
  CHECK(inside_k > 0);
  CHECK(inside_k < exact_points(platinum)[0].u_k);
  CHECK(outside_k > 10 * inside_k);
  CHECK(curve_u_k(*fit, SquareMatrix(2), 100).error().code == Errc::bad_input);
  CHECK(curve_u_k(*fit, fit->covariance, 900).error().code == Errc::out_of_range);
}

TEST_CASE("The curve's uncertainty of a straight deviation is that of a line (JCGM 100, H.3.4)") {
  std::vector<FitPoint> points;
  for (const double t_c : {100.0, 200.0, 300.0, 400.0, 500.0})
    points.push_back({t_c, *raw_value(Thermocouple{ThermocoupleType::n, {0, 0.01}}, t_c, 0), 0, 2e-6});
  const auto fit = fit_thermocouple(ThermocoupleType::n, points, 1, true);
  REQUIRE(fit.ok());
  const double u_slope_uv = 2 / std::sqrt(1e4 + 4e4 + 9e4 + 16e4 + 25e4);
  CHECK(std::sqrt(fit->covariance.at(1, 1)) == Approx(u_slope_uv));
  const double slope_uv_per_k = 1e6 * *sensitivity_per_k(fit->model, 350);
  CHECK(*curve_u_k(*fit, fit->covariance, 350) == Approx(350 * u_slope_uv / slope_uv_per_k));
}

TEST_CASE("The curve's uncertainty of a straight line in ln R is that of a line; of a high degree there is one too") {
  std::vector<FitPoint> points;
  const ThermistorPolynomial truth{{1.1595e-3, 2.2496e-4, 8.564e-7, 6.3831e-8}, -40, 125};
  for (double t_c = -40; t_c <= 125; t_c += 15) points.push_back({t_c, *raw_value(truth, t_c, {}), 0.01, 0});
  for (const int degree : {3, 4, 5}) {
    const auto fit = fit_thermistor_polynomial(points, degree);
    REQUIRE(fit.ok());
    // Between its points a curve is better known than any of them, and least at the ends.
    const double middle_k = *curve_u_k(*fit, fit->covariance, 40), end_k = *curve_u_k(*fit, fit->covariance, 125);
    INFO("degree " << degree << ": " << middle_k << ", " << end_k);
    CHECK(middle_k > 0.01 / std::sqrt(static_cast<double>(points.size())));
    CHECK(middle_k < 0.01);
    CHECK(end_k > middle_k);
    CHECK(end_k < 0.0101);
  }
  // Two coefficients, of equal weights in 1/T: u² = s² (1/n + (l - mean)² / sum of (l - mean)²) (JCGM 100, H.3.4 has the line).
  const ThermistorPolynomial straight{{8.3e-4, 2.72e-4}, 0, 60};
  std::vector<FitPoint> line;
  double mean = 0, squares = 0;
  for (const double l : {8.0, 8.5, 9.0, 9.5}) {
    const double t_c = 1 / (8.3e-4 + 2.72e-4 * l) - 273.15;
    line.push_back({t_c, std::exp(l), 1e-8 * (t_c + 273.15) * (t_c + 273.15), 0});
    mean += l / 4;
  }
  for (const auto& point : line) squares += (std::log(point.raw) - mean) * (std::log(point.raw) - mean);
  const auto fit = fit_thermistor_polynomial(line, 1);
  REQUIRE(fit.ok());
  const double l = std::log(*raw_value(fit->model, 20, {})), t_k = 293.15;
  CHECK(*curve_u_k(*fit, fit->covariance, 20) ==
        Approx(1e-8 * t_k * t_k * std::sqrt(0.25 + (l - mean) * (l - mean) / squares)).epsilon(1e-6));
}

TEST_CASE("A thermocouple's constant is the circuit's: it stands in the card and changes no temperature") {
  const Thermocouple truth{ThermocoupleType::k, {0, 0.02, -1e-5}};
  std::vector<FitPoint> points;
  for (const double t_c : {50.0, 150.0, 250.0, 350.0, 450.0, 550.0})
    points.push_back({t_c, *raw_value(truth, t_c, 0) + 3e-6, 0.05, 0});
  const auto fit = fit_thermocouple(ThermocoupleType::k, points, 2, false);
  REQUIRE(fit.ok());
  CHECK(fit->coefficients[0] == Approx(3).epsilon(1e-6));
  CHECK(fit->coefficients[1] == Approx(0.02).epsilon(1e-6));
  CHECK(*temperature_c(fit->model, *raw_value(truth, 300, 0), 0) == Approx(300).margin(1e-7));
}

TEST_CASE("Warnings: few points, a range that the points do not cover") {
  const auto kinds = fit_kinds();
  const auto& platinum = kinds[2];
  auto points = exact_points(platinum);
  points.resize(4);
  const auto few = fit_platinum(points, {}, TemperatureSpan{points[0].t_c, 500});
  REQUIRE(few.ok());
  REQUIRE(few->warnings.size() == 2);
  CHECK(few->warnings[0].kind == FitWarning::Kind::few_points);
  CHECK(few->warnings[0].text.substr(0, 29) == "4 points for 3 coefficients: ");
  CHECK(few->warnings[1].kind == FitWarning::Kind::extrapolation);
  CHECK(few->warnings[1].text == "asked for -80 to 500 °C, but the points cover -80 to 100 °C only");
}

TEST_CASE("What cannot be fitted is refused") {
  const auto code = [](const Result<SensorFit>& fit) {
    REQUIRE(!fit.ok());
    CHECK(!fit.error().detail.empty());
    return fit.error().code;
  };
  const std::vector<FitPoint> none;
  CHECK(code(fit_thermistor(none)) == Errc::bad_input);
  CHECK(code(fit_platinum(none, {})) == Errc::bad_input);
  CHECK(code(fit_sprt(none, {})) == Errc::bad_input);
  CHECK(code(fit_thermocouple(ThermocoupleType::k, none, 1, true)) == Errc::bad_input);

  const std::vector<FitPoint> warm{
      {0, 100, 0.01, 0}, {50, 119.4, 0.01, 0}, {100, 138.5, 0.01, 0}, {150, 157.3, 0.01, 0}};
  PlatinumFitOptions with_c;
  with_c.fit_c = true;
  CHECK(code(fit_platinum(warm, with_c)) == Errc::bad_input);
  CHECK(code(fit_platinum(std::vector<FitPoint>{{0, 100, 0, 0}, {50, 119, 0.01, 0}, {90, 135, 0.01, 0}}, {})) ==
        Errc::bad_input);
  CHECK(code(fit_platinum(std::vector<FitPoint>{{0, 100, 1, 0}, {50, NAN, 0.01, 0}, {90, 135, 0.01, 0}}, {})) ==
        Errc::bad_input);
  CHECK(code(fit_platinum(std::vector<FitPoint>{{0, 100, 1, 0}, {900, 400, 1, 0}, {90, 135, 1, 0}}, {})) ==
        Errc::out_of_range);
  // Falling resistance: no thermometer.
  CHECK(code(fit_platinum(std::vector<FitPoint>{{0, 100, 1, 0}, {50, 90, 1, 0}, {90, 80, 1, 0}, {95, 79, 1, 0}}, {})) ==
        Errc::bad_input);

  CHECK(code(fit_thermocouple(ThermocoupleType::k, warm, 0, true)) == Errc::bad_input);
  CHECK(code(fit_thermocouple(ThermocoupleType::k, warm, 16, true)) == Errc::bad_input);
  CHECK(code(fit_thermocouple(ThermocoupleType::b, std::vector<FitPoint>{{10, 0, 1, 0}, {500, 1e-3, 1, 0}}, 1, true)) ==
        Errc::out_of_range);
  CHECK(code(fit_thermistor(std::vector<FitPoint>{{0, -5, 1, 0}, {10, 5, 1, 0}, {20, 4, 1, 0}})) == Errc::bad_input);
  CHECK(code(fit_thermistor(std::vector<FitPoint>{{20, 5000, 1, 0}, {20, 5001, 1, 0}, {20, 5000, 1, 0}})) ==
        Errc::bad_input);

  const std::vector<FitPoint> bead{{0, 32541, 1, 0}, {25, 10000, 1, 0}, {50, 3606, 1, 0}, {75, 1481, 1, 0}};
  CHECK(code(fit_thermistor_polynomial(bead, 0)) == Errc::bad_input);
  CHECK(code(fit_thermistor_polynomial(bead, 6)) == Errc::bad_input);
  CHECK(code(fit_thermistor_polynomial(bead, 4)) == Errc::bad_input);  // five coefficients, four points
  // Four points with an error of 2 K make a curve that turns far outside them: said so, and what to do.
  auto bent = bead;
  bent[3].t_c = 71;
  const auto turned = fit_thermistor_polynomial(bent, 3, TemperatureSpan{-60, 200});
  CHECK(code(turned) == Errc::bad_input);
  CHECK(turned.error().detail.find("ask for a lower degree") != std::string::npos);

  const std::vector<FitPoint> zinc{{231.928, 47.92, 0.001, 0}, {419.527, 65.04, 0.001, 0}};
  CHECK(code(fit_sprt(zinc, {8, std::nullopt, 0})) == Errc::bad_input);  // R at the triple point?
  CHECK(code(fit_sprt(zinc, {12, 25.3, 0})) == Errc::bad_input);
  CHECK(code(fit_sprt(zinc, {8, -25.3, 0})) == Errc::bad_input);
  CHECK(code(fit_sprt(zinc, {9, 25.3, 0})) == Errc::out_of_range);
  CHECK(code(fit_sprt(
            std::vector<FitPoint>{{100, 35, 0.001, 0}, {231, 47, 0.001, 0}, {419, 65, 0.001, 0}, {600, 80, 0.001, 0}},
            {6, 25.3, 0})) == Errc::bad_input);  // nothing above aluminium for d
}

// Fits against published calibrations: the line of GUM H.3, a thermistor against a platinum thermometer (Possolo and Iyer 2017),
// the three points of a Steinhart–Hart example, a nominal curve in powers of ln R, a calibrated Pt100, two SPRTs (data/README.md).
#include <algorithm>
#include <array>
#include <cmath>

#include "published.hpp"
#include "thermometry/fit_sensor.hpp"
#include "thermometry/least_squares.hpp"
#include "thermometry/sprt.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

namespace {

double published_number(const nlohmann::json& object, const char* key) {
  return number(object[key].get<std::string>());
}

}  // namespace

TEST_CASE("GUM H.3: the line, its uncertainties from the residuals, their correlation") {
  const auto examples = json_file("uncertainty_examples.json")["examples"];
  const auto h3 = std::find_if(examples.begin(), examples.end(), [](const nlohmann::json& one) {
    return one["id"] == "GUM H.3 thermometer calibration";
  });
  REQUIRE(h3 != examples.end());
  const auto t_c = (*h3)["t_k_C"].get<std::vector<double>>(), b_k = (*h3)["b_k_C"].get<std::vector<double>>();
  LinearProblem problem;
  problem.columns = 2;
  for (std::size_t i = 0; i < t_c.size(); ++i) problem.add(std::array{1.0, t_c[i] - 20}, b_k[i], 1.0);
  const auto fit = least_squares(problem);
  REQUIRE(fit.ok());
  REQUIRE(fit->covariance_by_residuals);
  const auto& c = *fit->covariance_by_residuals;
  const auto& derived = (*h3)["derived"];
  CHECK(fit->coefficients[0] == Approx(derived["y1"].get<double>()).epsilon(1e-9));
  CHECK(fit->coefficients[1] == Approx(derived["y2"].get<double>()).epsilon(1e-9));
  CHECK(std::sqrt(c.at(0, 0)) == Approx(derived["u_y1"].get<double>()).epsilon(1e-8));
  CHECK(std::sqrt(c.at(1, 1)) == Approx(derived["u_y2"].get<double>()).epsilon(1e-8));
  CHECK(c.at(0, 1) / std::sqrt(c.at(0, 0) * c.at(1, 1)) == Approx(derived["r"].get<double>()).epsilon(1e-7));
  CHECK(fit->chi_squared == Approx(derived["SSR"].get<double>()).epsilon(1e-8));
  CHECK(fit->degrees_of_freedom == 9);
}

TEST_CASE("Possolo and Iyer 2017, table II: a thermistor against a platinum thermometer") {
  const auto file = json_file("thermistor_examples.json");
  const auto& example = file["comparison_calibration"];
  LinearProblem problem;
  problem.columns = 4;
  for (std::size_t i = 0; i < example["prt_C"].size(); ++i) {
    // The indication as a function of the temperature, as published; users invert it.
    const double tau = example["prt_C"][i];
    problem.add(std::array{1.0, tau, tau * tau, tau * tau * tau}, example["thermistor_indication_C"][i], 1.0);
  }
  const auto fit = least_squares(problem);
  REQUIRE(fit.ok());
  for (std::size_t i = 0; i < 4; ++i)
    CHECK(fit->coefficients[i] == Approx(number(example["fit_derived"][i].get<std::string>())).epsilon(1e-7));
  REQUIRE(fit->degrees_of_freedom == 8);
  const double residual_sd_c = std::sqrt(fit->chi_squared / 8);
  CHECK(std::round(residual_sd_c * 1000) / 1000 == example["published_residual_sd_C"].get<double>());
}

TEST_CASE("Steinhart–Hart: three points give all printed digits, and a warning") {
  const auto file = json_file("thermistor_examples.json");
  const auto& example = file["steinhart_hart_3point"];
  std::vector<FitPoint> points;
  for (const auto& point : example["points_C_ohm"]) points.push_back({point[0], point[1], 0.001, 0});
  const auto fit = fit_thermistor(points);
  REQUIRE(fit.ok());
  CHECK(fit->coefficients[0] == Approx(published_number(example, "A")).margin(5e-13));
  CHECK(fit->coefficients[1] == Approx(published_number(example, "B")).margin(5e-15));
  CHECK(fit->coefficients[2] == Approx(published_number(example, "C")).margin(5e-17));
  CHECK(fit->degrees_of_freedom == 0);
  CHECK(!fit->covariance_by_residuals);
  CHECK(!fit->leave_one_out_rms_k);
  REQUIRE(fit->warnings.size() == 1);
  CHECK(fit->warnings[0].kind == FitWarning::Kind::few_points);
}

TEST_CASE("Polynomials in ln R of degree 2, 3 and 4: coefficients and residuals derived in 60 digits") {
  const auto file = json_file("thermistor_examples.json");
  const auto& example = file["polynomial_in_ln_r"];
  std::vector<FitPoint> points;
  for (const auto& point : example["fit_points_C_ohm"]) points.push_back({point[0], point[1], 0.001, 0});
  for (const auto& expected : example["fits"]) {
    const int degree = static_cast<int>(expected["coefficients"].size()) - 1;
    INFO("degree " << degree);
    const auto fit = fit_thermistor_polynomial(points, degree);
    REQUIRE(fit.ok());
    REQUIRE(fit->coefficients.size() == expected["coefficients"].size());
    for (std::size_t i = 0; i < fit->coefficients.size(); ++i)
      CHECK(fit->coefficients[i] == Approx(number(expected["coefficients"][i].get<std::string>())).epsilon(1e-8));
    double squares = 0;
    for (const auto& point : fit->points) squares += point.residual_k * point.residual_k;
    CHECK(1000 * std::sqrt(squares / static_cast<double>(points.size())) ==
          Approx(expected["rms_residual_mK"].get<double>()).epsilon(1e-3));
    CHECK(fit->degrees_of_freedom == points.size() - expected["coefficients"].size());
  }
}

TEST_CASE("A national institute's Pt100: R0, A and B from its own table") {
  const auto example = json_file("prt_cvd_example.json");
  std::vector<FitPoint> points;
  for (const auto& row : example["forward"]) points.push_back({row[0], row[1], 0, 1e-4});
  PlatinumFitOptions options;
  options.held.c_per_c4 = published_number(example, "C");
  const auto fit = fit_platinum(points, options, TemperatureSpan{-10, 70});
  REQUIRE(fit.ok());
  CHECK(fit->coefficients[0] == Approx(example["R0"].get<double>()).margin(5e-8));
  CHECK(fit->coefficients[1] == Approx(published_number(example, "A")).margin(5e-10));
  CHECK(fit->coefficients[2] == Approx(published_number(example, "B")).margin(5e-11));
  CHECK(fit->coefficients[3] == options.held.c_per_c4);
  CHECK(fit->covariance.at(3, 3) == 0);
  for (const auto& row : example["inverse"])  // beyond 15 °C by extrapolation of exact data
    CHECK(*temperature_c(fit->model, row[0], std::nullopt) == Approx(row[1].get<double>()).margin(2e-6));
  REQUIRE(fit->warnings.size() == 1);
  CHECK(fit->warnings[0].kind == FitWarning::Kind::extrapolation);
}

TEST_CASE("A national institute's SPRT, 0 to 419 °C: a and b from the points of its certificate") {
  const auto file = json_file("sprt_examples.json");
  const auto& example = file["examples"][1];
  std::vector<FitPoint> points;
  for (const auto& row : example["points"]) points.push_back({row["t90_C"], row["R_ohm"], 1e-4, 0});
  const auto fit = fit_sprt(points, {8, std::nullopt, 0});
  REQUIRE(fit.ok());
  CHECK(fit->coefficients[0] == example["R_tpw_ohm"].get<double>());
  // Derived from the same points; the certificate's own digits differ in the fourth place, by 0.01 mK.
  CHECK(fit->coefficients[1] == Approx(-1.213085e-4).margin(5e-11));
  CHECK(fit->coefficients[2] == Approx(-9.92319e-6).margin(5e-11));
  const Sprt certificate{example["R_tpw_ohm"], std::nullopt,
                         SprtSubrange{8, {published_number(example, "a"), published_number(example, "b")}}};
  for (double t_c = 0.01; t_c < 419; t_c += 20)
    CHECK(*temperature_c(fit->model, *sprt_resistance_ohm(certificate, t_c), std::nullopt) == Approx(t_c).margin(2e-5));
}

TEST_CASE("NIST SP 250-81, 0 to 660 °C: a, b and c from the ratios at the fixed points") {
  const auto file = json_file("sprt_examples.json");
  const auto& example = file["examples"][0];
  std::vector<FitPoint> points;
  for (const auto& row : example["rows"]) points.push_back({row["t90_C"], row["W_rigorous_derived"], 0, 1e-7});
  const auto fit = fit_sprt(points, {7, 1.0, 0});
  REQUIRE(fit.ok());
  // The ratios are given in nine decimals.
  CHECK(fit->coefficients[1] == Approx(published_number(example, "a")).margin(5e-9));
  CHECK(fit->coefficients[2] == Approx(published_number(example, "b")).margin(5e-9));
  CHECK(fit->coefficients[3] == Approx(published_number(example, "c")).margin(2e-9));
  CHECK(fit->degrees_of_freedom == 2);
}

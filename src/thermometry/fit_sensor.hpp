// From calibration points to the sensor's own coefficients: thermocouple, platinum, SPRT, thermistor.
//
// Each fit is linear least squares with effective variances: a point's uncertainty in temperature is carried to the raw
// side with the slope there and added in squares to that of its raw value. Only what differs from point to point belongs
// into it; what all points share (the reference's calibration, the resistor of a bridge) does not show in the residuals,
// does not become smaller by many points, and is the caller's to add afterwards.
//
// Coefficients and their covariance stand in the order of the model's members:
//   Thermocouple  deviation_uv[0], [1], …    microvolt over °C^i
//   Platinum      r0_ohm, a_per_c, b_per_c2, c_per_c4
//   Sprt          r_tpw_ohm, then those of the one subrange that was fitted
//   Thermistor    a, b, c
//   ThermistorPolynomial  a0, a1, …
// A coefficient that was held has rows and columns of zeros.
//
// Errors: bad_input (too few points; points that do not determine the coefficients; a point without uncertainty or with a
// value that is not finite; an order or subrange that does not exist; a fitted curve that has no inverse), out_of_range (a
// point where the reference function is not defined).
// Sources: those of the models (thermocouple.hpp, platinum.hpp, sprt.hpp, thermistor.hpp, thermistor_polynomial.hpp); effective variance: Orear, Am. J.
// Phys. 50 (1982) 912 (citation from memory). Check values: tests/published; coverage: tests/thermometry.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"
#include "thermometry/least_squares.hpp"

namespace nightwell::thermometry {

// Standard uncertainties (k = 1), either may be 0 but not both.
struct FitPoint {
  double t_c = 0;    // the reference
  double raw = 0;    // volt with the junction at 0 °C, or ohm
  double u_k = 0;    // of t_c
  double u_raw = 0;  // of raw, in its unit
};

struct FittedPoint {
  double residual_k = 0;  // the fitted sensor's temperature minus the reference's, by the nominal slope
  std::optional<double>
      standardized;  // over its standard uncertainty; nullopt where the fit must pass through the point
  std::optional<double> leave_one_out_k;  // likewise, had the fit not seen this point
};

struct FitWarning {
  enum class Kind {
    few_points,     // fewer than coefficients + 2
    extrapolation,  // a range was asked for that the points do not cover
  };
  Kind kind = Kind::few_points;
  std::string text;
};

struct SensorFit {
  SensorModel model;
  std::vector<double> coefficients;
  SquareMatrix covariance;                              // from the points' stated uncertainties
  std::optional<SquareMatrix> covariance_by_residuals;  // scaled by the residuals; needs a degree of freedom
  std::size_t degrees_of_freedom = 0;
  // sqrt(chi² / degrees of freedom): near 1 where the stated uncertainties explain the residuals. nullopt without one.
  std::optional<double> residual_scale;
  std::optional<double> leave_one_out_rms_k;  // nullopt where a point has none
  std::vector<FittedPoint> points;            // one for each point given, in order
  TemperatureSpan range;                      // of the points
  std::vector<FitWarning> warnings;
};

// `wanted` is where the sensor is going to be used: beyond the points it brings a warning. A thermistor's card gets this
// range, or else that of the points; the other models have ranges of their own.
using WantedRange = std::optional<TemperatureSpan>;

// deviation = emf - reference function, a polynomial in t_c of that degree, 0 to 15. `through_zero` leaves out its constant
// term: a thermocouple whose junctions are both at 0 °C gives no emf. A constant that is fitted is therefore an emf of the
// circuit (a connector, the voltmeter's zero), not of the sensor: it stands in deviation_uv[0], where the junction's emf
// takes it away again in every conversion, and the residuals are those that remain beside it. Points where the reference
// function does not rise (type B below its minimum) are out_of_range.
[[nodiscard]] Result<SensorFit> fit_thermocouple(ThermocoupleType type, std::span<const FitPoint> points, int degree,
                                                 bool through_zero, WantedRange wanted = std::nullopt);

// R0 and A always; B and C where asked for, else they stay what `held` says. C needs points below 0 °C.
struct PlatinumFitOptions {
  bool fit_b = true;
  bool fit_c = false;
  Platinum held;  // its B and C only
};
[[nodiscard]] Result<SensorFit> fit_platinum(std::span<const FitPoint> points, const PlatinumFitOptions& options,
                                             WantedRange wanted = std::nullopt);

// The coefficients of one ITS-90 subrange (sprt.hpp). R at the triple point of water is given, or comes as weighted mean
// from the points within triple_point_window_k of 0.01 °C, which then take no other part: their leave_one_out_k is
// nullopt. Its uncertainty is common to all ratios and is carried into the covariance as such. Subrange 6: d needs a
// point above 660.323 °C.
inline constexpr double triple_point_window_k = 0.05;
struct SprtFitOptions {
  int subrange = 8;
  std::optional<double> r_tpw_ohm;
  double u_r_tpw_ohm = 0;  // of a given one
};
[[nodiscard]] Result<SensorFit> fit_sprt(std::span<const FitPoint> points, const SprtFitOptions& options,
                                         WantedRange wanted = std::nullopt);

// Steinhart–Hart.
[[nodiscard]] Result<SensorFit> fit_thermistor(std::span<const FitPoint> points, WantedRange wanted = std::nullopt);
// 1/T as a polynomial in ln R, of degree 1 to 5.
[[nodiscard]] Result<SensorFit> fit_thermistor_polynomial(std::span<const FitPoint> points, int degree,
                                                          WantedRange wanted = std::nullopt);

// Standard uncertainty of the temperature that the fitted model gives at t_c, from one of the fit's covariances: that of
// the curve alone, not of a reading, nor of what all points share. Errors: those of the model at t_c.
[[nodiscard]] Result<double> curve_u_k(const SensorFit& fit, const SquareMatrix& covariance, double t_c);

}  // namespace nightwell::thermometry

// The deviation function of an ITS-90 subrange. W - Wr is linear in the coefficients, with columns taken from the deviation
// function itself; only the place where d of subrange 6 begins follows from a, b and c, and is found in a few rounds.
#include <cmath>
#include <string>
#include <utility>

#include "thermometry/faults.hpp"
#include "thermometry/fitting.hpp"
#include "thermometry/sprt.hpp"
#include "thermometry/sprt_tables.hpp"

namespace nightwell::thermometry {

namespace {

constexpr const char* fitting_sprt = "fit of a standard platinum thermometer";
constexpr int with_aluminium = 6;  // the subrange whose last coefficient begins at the aluminium point
constexpr double triple_point_slope_per_k = 3.98853e-3;  // dWr/dT at 0.01 °C; derived from the reference function
constexpr int rounds = 6;                                // each takes four digits off the error of that place

Sprt with_side(double r_tpw_ohm, const SprtSubrange& side) {
  Sprt out{r_tpw_ohm, std::nullopt, std::nullopt};
  (side.number < 5 ? out.below : out.above) = side;
  return out;
}

struct TriplePoint {
  double r_ohm = 0, u_ohm = 0;
};

bool near_triple_point(const FitPoint& point) {
  return std::abs(point.t_c - tables::triple_point_c) <= triple_point_window_k;
}

// W of a point near the triple point: 1 there by definition, and from there along the reference function's slope. So near, its
// bend is below 0.5 uK and deviations differ by less than 5 uK.
double ratio_near_triple_point(const FitPoint& point) {
  return 1 + triple_point_slope_per_k * (point.t_c - tables::triple_point_c);
}

// The weighted mean of the points near 0.01 °C.
Result<TriplePoint> triple_point_of(std::span<const FitPoint> points) {
  double weights = 0, sum = 0;
  for (const FitPoint& point : points) {
    if (!near_triple_point(point)) continue;
    const double u = fitting::combined(point.u_raw, point.u_k, point.raw * triple_point_slope_per_k);
    weights += 1 / (u * u);
    sum += point.raw / ratio_near_triple_point(point) / (u * u);
  }
  if (weights > 0) return TriplePoint{sum / weights, 1 / std::sqrt(weights)};
  return Error{Errc::bad_input, fitting_sprt,
               "R at the triple point of water is not given, and no point lies within " +
                   number(triple_point_window_k) + " K of 0.01 °C",
               ""};
}

// What each coefficient adds to the deviation at W, with `found` telling where d begins.
Result<std::vector<double>> basis(const SprtSubrange& found, double w) {
  std::vector<double> out;
  SprtSubrange one = found;
  const bool has_d = found.number == with_aluminium;
  for (std::size_t j = 0; j < found.coefficients.size(); ++j) {
    const bool is_d = has_d && j + 1 == found.coefficients.size();
    for (double& c : one.coefficients) c = 0;
    if (is_d) one.coefficients = found.coefficients;
    if (is_d) one.coefficients[j] = 0;
    const auto without = deviation(one, w);
    one.coefficients[j] = 1;
    const auto with = deviation(one, w);
    if (!without) return without.error();
    if (!with) return with.error();
    out.push_back(*with - *without);
  }
  return out;
}

Result<fitting::Rows> sprt_rows(std::span<const FitPoint> points, const TriplePoint& triple,
                                const SprtSubrange& found) {
  SprtSubrange none = found;
  for (double& c : none.coefficients) c = 0;
  const Sprt reference = with_side(1, none);
  fitting::Rows rows(found.coefficients.size());
  for (const FitPoint& point : points) {
    const auto wr = sprt_resistance_ohm(reference, point.t_c);
    const auto slope = sprt_slope_ohm_per_k(reference, point.t_c);
    if (!wr) return wr.error();
    if (!slope) return slope.error();
    const double w = point.raw / triple.r_ohm;
    const auto row = basis(found, w);
    if (!row) return row.error();
    rows.add(*row, w - *wr, fitting::combined(point.u_raw / triple.r_ohm, point.u_k, *slope), *slope);
  }
  return rows;
}

// How the coefficients follow R at the triple point: every ratio moves by -W / R for one ohm.
Result<std::vector<double>> per_ohm_of_triple_point(const fitting::Rows& rows, std::span<const FitPoint> points,
                                                    const TriplePoint& triple) {
  LinearProblem moved = rows.problem;
  for (std::size_t i = 0; i < points.size(); ++i) moved.y[i] = -points[i].raw / (triple.r_ohm * triple.r_ohm);
  const auto fit = least_squares(moved);
  if (!fit) return fit.error();
  return fit->coefficients;
}

// R at the triple point first, then the coefficients, which have its uncertainty in common.
SquareMatrix with_triple_point(const SquareMatrix& fitted, const TriplePoint& triple,
                               const std::vector<double>& per_ohm) {
  SquareMatrix out(fitted.size + 1);
  std::vector<double> shared{1};
  shared.insert(shared.end(), per_ohm.begin(), per_ohm.end());
  for (std::size_t i = 0; i < out.size; ++i)
    for (std::size_t j = 0; j < out.size; ++j) {
      out.at(i, j) = shared[i] * shared[j] * triple.u_ohm * triple.u_ohm;
      if (i > 0 && j > 0) out.at(i, j) += fitted.at(i - 1, j - 1);
    }
  return out;
}

// The points near the triple point took no part in the fit: back in their places among all, with what they say about R.
std::vector<FittedPoint> all_points(const std::vector<FittedPoint>& fitted, std::span<const FitPoint> points,
                                    const TriplePoint& triple) {
  std::vector<FittedPoint> out;
  auto next = fitted.begin();
  for (const FitPoint& point : points) {
    if (!near_triple_point(point)) {
      out.push_back(*next++);
      continue;
    }
    const double beyond_reference = point.raw / triple.r_ohm - ratio_near_triple_point(point);
    out.push_back({beyond_reference / triple_point_slope_per_k, std::nullopt, std::nullopt});
  }
  return out;
}

Result<void> check(std::span<const FitPoint> points, const SprtFitOptions& options) {
  if (auto sound = fitting::check(points, fitting_sprt); !sound) return sound;
  const auto bad = [](std::string detail) { return Error{Errc::bad_input, fitting_sprt, std::move(detail), ""}; };
  if (options.subrange < 1 || options.subrange > static_cast<int>(tables::subranges.size()))
    return bad("there is no ITS-90 subrange " + std::to_string(options.subrange) + ", only 1 to 11");
  if (options.r_tpw_ohm && !(*options.r_tpw_ohm > 0 && std::isfinite(*options.r_tpw_ohm)))
    return bad("R at the triple point of water must be above 0");
  if (!(options.u_r_tpw_ohm >= 0 && std::isfinite(options.u_r_tpw_ohm)))
    return bad("the uncertainty of R at the triple point of water must be 0 or more");
  for (const FitPoint& point : points)
    if (!(point.raw > 0)) return bad(number(point.raw) + " ohm at " + number(point.t_c) + " °C is no resistance");
  return {};
}

}  // namespace

Result<SensorFit> fit_sprt(std::span<const FitPoint> points, const SprtFitOptions& options, WantedRange wanted) {
  if (auto sound = check(points, options); !sound) return sound.error();
  TriplePoint triple{options.r_tpw_ohm.value_or(0), options.u_r_tpw_ohm};
  std::vector<FitPoint> fitted(points.begin(), points.end());
  if (!options.r_tpw_ohm) {
    const auto mean = triple_point_of(points);
    if (!mean) return mean.error();
    triple = *mean;
    std::erase_if(fitted, near_triple_point);
  }

  const std::size_t count = tables::subranges[static_cast<std::size_t>(options.subrange - 1)].coefficients;
  SprtSubrange found{options.subrange, std::vector<double>(count, 0.0)};
  auto rows = sprt_rows(fitted, triple, found);
  if (!rows) return rows.error();
  auto fit = least_squares(rows->problem);
  if (fit) found.coefficients = fit->coefficients;
  for (int round = 1; fit && found.number == with_aluminium && round < rounds; ++round) {
    rows = sprt_rows(fitted, triple, found);
    if (!rows) return rows.error();
    fit = least_squares(rows->problem);
    if (fit) found.coefficients = fit->coefficients;
  }
  if (!fit) return fit.error();
  const auto per_ohm = per_ohm_of_triple_point(*rows, fitted, triple);
  if (!per_ohm) return per_ohm.error();

  SensorFit out = fitting::assembled(*fit, *rows, fitting::range_of(points), wanted);
  out.model = with_side(triple.r_ohm, found);
  out.coefficients = fitting::coefficients(out.model);
  out.covariance = with_triple_point(fit->covariance, triple, *per_ohm);
  if (fit->covariance_by_residuals)
    out.covariance_by_residuals = with_triple_point(*fit->covariance_by_residuals, triple, *per_ohm);
  if (!options.r_tpw_ohm) out.points = all_points(out.points, points, triple);
  return fitting::usable(std::move(out));
}

}  // namespace nightwell::thermometry

#include "thermometry/thermocouple.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <string>

#include "thermometry/thermocouple_tables.hpp"

namespace nightwell::thermometry {

namespace {

using tables::Piece;

constexpr double mv_per_v = 1e3, uv_per_mv = 1e3;
constexpr int most_iterations = 100;
constexpr double close_enough_c = 1e-11;

std::span<const Piece> pieces(ThermocoupleType type) {
  switch (type) {
    case ThermocoupleType::a: return tables::type_a;
    case ThermocoupleType::b: return tables::type_b;
    case ThermocoupleType::c: return tables::type_c;
    case ThermocoupleType::e: return tables::type_e;
    case ThermocoupleType::j: return tables::type_j;
    case ThermocoupleType::k: return tables::type_k;
    case ThermocoupleType::n: return tables::type_n;
    case ThermocoupleType::r: return tables::type_r;
    case ThermocoupleType::s: return tables::type_s;
    case ThermocoupleType::t: return tables::type_t;
  }
  return {};
}

struct ValueAndSlope {
  double value = 0, slope = 0;
};

// Horner for value and slope together.
ValueAndSlope polynomial(std::span<const double> c, double t) {
  ValueAndSlope out;
  for (std::size_t i = c.size(); i-- > 0;) {
    out.slope = out.slope * t + out.value;
    out.value = out.value * t + c[i];
  }
  return out;
}

// Millivolt and millivolt per kelvin; t_c lies in the type's range.
ValueAndSlope reference_mv(ThermocoupleType type, double t_c) {
  const auto all = pieces(type);
  const Piece* piece = &all.front();
  for (const Piece& p : all)
    if (t_c > p.low_c) piece = &p;
  ValueAndSlope out = polynomial(std::span(piece->c_mv.data(), piece->count), t_c);
  if (type == ThermocoupleType::k && t_c > 0) {
    const auto& x = tables::type_k_above_zero;
    const double d = t_c - x.a2_c;
    const double bump = x.a0_mv * std::exp(x.a1 * d * d);
    out.value += bump;
    out.slope += 2 * x.a1 * d * bump;
  }
  return out;
}

ValueAndSlope emf_mv(ThermocoupleType type, double t_c, std::span<const double> deviation_uv) {
  ValueAndSlope out = reference_mv(type, t_c);
  if (!deviation_uv.empty()) {
    const ValueAndSlope deviation = polynomial(deviation_uv, t_c);
    out.value += deviation.value / uv_per_mv;
    out.slope += deviation.slope / uv_per_mv;
  }
  return out;
}

std::string number(double value) {
  char text[40];
  return {text, std::to_chars(text, text + sizeof text, value, std::chars_format::general, 8).ptr};
}

Error beyond(ThermocoupleType type, double t_c) {
  const auto range = reference_span(type);
  return {Errc::out_of_range, std::string("thermocouple type ") + letter(type),
          number(t_c) + " °C is outside " + number(range.low_c) + " to " + number(range.high_c) + " °C", ""};
}

// A coarse table of the reference function per type: where a solution lies to within a few kelvin, so that Newton
// needs two or three steps.
constexpr std::size_t grid_points = 129;
struct Grid {
  double low_c = 0, step_c = 0;
  std::array<double, grid_points> emf_mv{};
};

Grid make_grid(ThermocoupleType type) {
  const auto range = span(SensorModel{Thermocouple{type, {}}});
  Grid grid;
  grid.low_c = range.low_c;
  grid.step_c = (range.high_c - range.low_c) / (grid_points - 1);
  for (std::size_t i = 0; i < grid_points; ++i)
    grid.emf_mv[i] = reference_mv(type, std::min(range.high_c, grid.low_c + grid.step_c * static_cast<double>(i))).value;
  return grid;
}

const Grid& grid_of(ThermocoupleType type) {
  static const std::array<Grid, 10> grids = [] {
    std::array<Grid, 10> all{};
    for (std::size_t i = 0; i < all.size(); ++i) all[i] = make_grid(static_cast<ThermocoupleType>(i));
    return all;
  }();
  return grids[static_cast<std::size_t>(type)];
}

double first_guess_c(ThermocoupleType type, double wanted_mv) {
  const Grid& grid = grid_of(type);
  const auto above = std::upper_bound(grid.emf_mv.begin() + 1, grid.emf_mv.end() - 1, wanted_mv);
  const auto i = static_cast<std::size_t>(above - grid.emf_mv.begin());
  const double low_mv = grid.emf_mv[i - 1], high_mv = grid.emf_mv[i];
  return grid.low_c + grid.step_c * (static_cast<double>(i - 1) + (wanted_mv - low_mv) / (high_mv - low_mv));
}

}  // namespace

TemperatureSpan reference_span(ThermocoupleType type) {
  const auto all = pieces(type);
  return {all.front().low_c, all.back().high_c};
}

Result<double> emf_v(ThermocoupleType type, double t_c, std::span<const double> deviation_uv) {
  const auto range = reference_span(type);
  if (!(t_c >= range.low_c && t_c <= range.high_c)) return beyond(type, t_c);
  return emf_mv(type, t_c, deviation_uv).value / mv_per_v;
}

Result<double> seebeck_v_per_k(ThermocoupleType type, double t_c, std::span<const double> deviation_uv) {
  const auto range = reference_span(type);
  if (!(t_c >= range.low_c && t_c <= range.high_c)) return beyond(type, t_c);
  return emf_mv(type, t_c, deviation_uv).slope / mv_per_v;
}

Result<double> emf_temperature_c(ThermocoupleType type, double emf_v, std::span<const double> deviation_uv) {
  const auto range = span(SensorModel{Thermocouple{type, {}}});
  const double wanted_mv = emf_v * mv_per_v;
  double low_c = range.low_c, high_c = range.high_c;
  const double lowest_mv = emf_mv(type, low_c, deviation_uv).value;
  const double highest_mv = emf_mv(type, high_c, deviation_uv).value;
  if (!(wanted_mv >= lowest_mv && wanted_mv <= highest_mv))
    return Error{Errc::out_of_range, std::string("thermocouple type ") + letter(type),
                 number(wanted_mv) + " mV is outside " + number(lowest_mv) + " to " + number(highest_mv) + " mV", ""};
  if (type == ThermocoupleType::b && wanted_mv <= emf_mv(type, 0, deviation_uv).value)
    return Error{Errc::ambiguous, "thermocouple type B",
                 number(wanted_mv) + " mV belongs to two temperatures below 42.2 °C; type B cannot be used there", ""};

  double t_c = std::clamp(first_guess_c(type, wanted_mv), low_c, high_c);
  for (int i = 0; i < most_iterations; ++i) {
    const ValueAndSlope at = emf_mv(type, t_c, deviation_uv);
    const double error_mv = at.value - wanted_mv;
    (error_mv > 0 ? high_c : low_c) = t_c;
    double next_c = t_c - error_mv / at.slope;
    if (!(next_c >= low_c && next_c <= high_c)) next_c = (low_c + high_c) / 2;  // Newton left the bracket
    const double moved_c = std::abs(next_c - t_c);
    t_c = next_c;
    if (moved_c <= close_enough_c) break;
  }
  return t_c;
}

std::optional<ThermocoupleType> thermocouple_type(std::string_view text) {
  constexpr std::string_view letters = "ABCEJKNRST";
  const auto at = text.size() == 1 ? letters.find(text.front()) : std::string_view::npos;
  if (at == std::string_view::npos) return std::nullopt;
  return static_cast<ThermocoupleType>(at);
}

char letter(ThermocoupleType type) { return "ABCEJKNRST"[static_cast<std::size_t>(type)]; }

}  // namespace nightwell::thermometry

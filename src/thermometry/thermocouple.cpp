#include "thermometry/thermocouple.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <string>
#include <utility>

#include "thermometry/faults.hpp"
#include "thermometry/polynomial.hpp"
#include "thermometry/thermocouple_tables.hpp"

namespace nightwell::thermometry {

namespace {

using tables::Piece;

constexpr std::string_view letters = "ABCEJKNRST";  // in the order of ThermocoupleType
constexpr std::size_t type_count = letters.size();
constexpr double mv_per_v = 1e3, uv_per_mv = 1e3;

// Derived from the coefficients: where the slope of type B is zero; tests/published.
constexpr double type_b_minimum_c = 21.0202618848;

// Sums with a junction's emf round; at the very end of a range that must not turn a value into an error.
constexpr double end_slack_mv = 1e-9;

// After a Newton step this small the next one would be its square: below the last bit.
constexpr double last_step_c = 1e-7;
// Down here the terms of the low pieces are thousands of times their sum, and a kelvin is a few microvolts: in double the
// last digits of the sum are worth nanokelvins.
constexpr double cancelling_below_c = -200;
constexpr int most_iterations = 100;

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

std::string doing(ThermocoupleType type) {
  return std::string("thermocouple type ") + letter(type);
}

// The exponential that type K adds above 0 °C, and its slope.
ValueAndSlope type_k_bump_mv(double t_c) {
  const auto& x = tables::type_k_above_zero;
  const double from_centre = t_c - x.a2_c;
  const double value = x.a0_mv * std::exp(x.a1 * from_centre * from_centre);
  return {value, 2 * x.a1 * from_centre * value};
}

// A join belongs to the piece below it.
const Piece* piece_at(ThermocoupleType type, double t_c) {
  const auto all = pieces(type);
  const Piece* piece = &all.front();
  for (const Piece& next : all.subspan(1))
    if (t_c > next.low_c) piece = &next;
  return piece;
}

// Millivolt and millivolt per kelvin; t_c lies in the type's range.
ValueAndSlope reference_mv(ThermocoupleType type, double t_c) {
  const Piece* piece = piece_at(type, t_c);
  const auto c = std::span(piece->c_mv.data(), piece->count);
  ValueAndSlope out = t_c < cancelling_below_c ? polynomial<long double>(c, t_c) : polynomial(c, t_c);
  if (type == ThermocoupleType::k && t_c > 0) {
    const ValueAndSlope bump = type_k_bump_mv(t_c);
    out.value += bump.value;
    out.slope += bump.slope;
  }
  return out;
}

ValueAndSlope emf_mv(ThermocoupleType type, double t_c, std::span<const double> deviation_uv) {
  ValueAndSlope out = reference_mv(type, t_c);
  if (deviation_uv.empty()) return out;
  const ValueAndSlope deviation = polynomial(deviation_uv, t_c);
  out.value += deviation.value / uv_per_mv;
  out.slope += deviation.slope / uv_per_mv;
  return out;
}

// t90 at evenly spaced emfs over a type's rising span: the place to start Newton from, found without a search. Its error
// is a few millikelvin over most of a range, so that two steps reach the last bit; only speed depends on it.
struct StartTable {
  static constexpr std::size_t points = 257;
  double lowest_mv = 0, highest_mv = 0, points_per_mv = 0;
  std::array<double, points> t_c{};

  [[nodiscard]] double at(double emf) const {
    const double place = std::clamp((emf - lowest_mv) * points_per_mv, 0.0, points - 1.001);
    const auto i = static_cast<std::size_t>(place);
    return t_c[i] + (place - static_cast<double>(i)) * (t_c[i + 1] - t_c[i]);
  }
};

// Walks up the temperatures once and notes where each emf of the table is passed.
StartTable make_start_table(ThermocoupleType type) {
  constexpr std::size_t steps = 4096;
  const auto range = rising_span(type);
  const auto temperature = [&](std::size_t step) {
    return range.low_c + (range.high_c - range.low_c) * static_cast<double>(step) / steps;
  };
  StartTable out;
  out.lowest_mv = reference_mv(type, range.low_c).value;
  out.highest_mv = reference_mv(type, range.high_c).value;
  out.points_per_mv = (StartTable::points - 1) / (out.highest_mv - out.lowest_mv);
  std::size_t step = 1;
  double low_mv = out.lowest_mv, high_mv = reference_mv(type, temperature(step)).value;
  for (std::size_t i = 0; i < StartTable::points; ++i) {
    const double wanted_mv = out.lowest_mv + static_cast<double>(i) / out.points_per_mv;
    while (high_mv < wanted_mv && step < steps) {
      low_mv = high_mv;
      high_mv = reference_mv(type, temperature(++step)).value;
    }
    out.t_c[i] = temperature(step - 1) + (temperature(1) - temperature(0)) * (wanted_mv - low_mv) / (high_mv - low_mv);
  }
  return out;
}

const StartTable& start_table(ThermocoupleType type) {
  static const auto tables = [] {
    std::array<StartTable, type_count> all{};
    for (std::size_t i = 0; i < all.size(); ++i) all[i] = make_start_table(static_cast<ThermocoupleType>(i));
    return all;
  }();
  return tables[static_cast<std::size_t>(type)];
}

// What emfs the solver takes for a type with this deviation.
struct Emfs {
  double lowest_mv = 0, highest_mv = 0;
};
Emfs emfs(ThermocoupleType type, const StartTable& start, std::span<const double> deviation_uv) {
  if (deviation_uv.empty()) return {start.lowest_mv, start.highest_mv};
  const auto range = rising_span(type);
  return {emf_mv(type, range.low_c, deviation_uv).value, emf_mv(type, range.high_c, deviation_uv).value};
}

Error two_temperatures(double wanted_mv) {
  return {
      Errc::ambiguous, doing(ThermocoupleType::b),
      number(wanted_mv * uv_per_mv) + " uV belongs to two temperatures between 0 and 42.13 °C; use type B above 50 °C",
      ""};
}

Error falling(ThermocoupleType type, double t_c) {
  return bad_coefficients(doing(type), "its deviation makes the emf fall with temperature near " + number(t_c) + " °C");
}

}  // namespace

TemperatureSpan reference_span(ThermocoupleType type) {
  const auto all = pieces(type);
  return {all.front().low_c, all.back().high_c};
}

TemperatureSpan rising_span(ThermocoupleType type) {
  TemperatureSpan out = reference_span(type);
  if (type == ThermocoupleType::b) out.low_c = type_b_minimum_c;
  return out;
}

Result<double> emf_v(ThermocoupleType type, double t_c, std::span<const double> deviation_uv) {
  const auto range = reference_span(type);
  if (!(t_c >= range.low_c && t_c <= range.high_c)) return beyond(doing(type), t_c, range.low_c, range.high_c, "°C");
  return emf_mv(type, t_c, deviation_uv).value / mv_per_v;
}

Result<double> seebeck_v_per_k(ThermocoupleType type, double t_c, std::span<const double> deviation_uv) {
  const auto range = reference_span(type);
  if (!(t_c >= range.low_c && t_c <= range.high_c)) return beyond(doing(type), t_c, range.low_c, range.high_c, "°C");
  return emf_mv(type, t_c, deviation_uv).slope / mv_per_v;
}

Result<double> emf_temperature_c(ThermocoupleType type, double emf_v, std::span<const double> deviation_uv) {
  const StartTable& start = start_table(type);
  const Emfs allowed = emfs(type, start, deviation_uv);
  double wanted_mv = emf_v * mv_per_v;
  if (!(wanted_mv >= allowed.lowest_mv - end_slack_mv && wanted_mv <= allowed.highest_mv + end_slack_mv))
    return beyond(doing(type), wanted_mv, allowed.lowest_mv, allowed.highest_mv, "mV");
  if (!(allowed.lowest_mv < allowed.highest_mv)) return falling(type, rising_span(type).high_c);
  if (type == ThermocoupleType::b && wanted_mv <= emf_mv(type, 0, deviation_uv).value)
    return two_temperatures(wanted_mv);
  wanted_mv = std::clamp(wanted_mv, allowed.lowest_mv, allowed.highest_mv);

  auto [low_c, high_c] = rising_span(type);
  double t_c = std::clamp(start.at(wanted_mv), low_c, high_c);
  bool crossed = false;
  for (int i = 0; i < most_iterations; ++i) {
    const ValueAndSlope at = emf_mv(type, t_c, deviation_uv);
    (at.value > wanted_mv ? high_c : low_c) = t_c;
    const double newton_c = t_c - (at.value - wanted_mv) / at.slope;
    double next_c = std::clamp(newton_c, low_c, high_c);
    // Far outside the bracket Newton has lost its way; just outside, the root is at the bracket's end.
    if (!(std::abs(newton_c - next_c) <= last_step_c)) next_c = (low_c + high_c) / 2;
    const double step_c = std::abs(next_c - t_c);
    // Behind a join another piece holds, which does not quite meet this one: look again from there. Once is enough, and a
    // value in the gap between the two would send us to and fro for ever.
    const bool crosses = piece_at(type, t_c) != piece_at(type, next_c);
    t_c = next_c;
    if (step_c > last_step_c) continue;
    if (crosses && !std::exchange(crossed, true)) continue;
    if (!(at.slope > 0)) return falling(type, t_c);
    return t_c;
  }
  return Error{Errc::unexpected, doing(type), "no temperature found for " + number(wanted_mv) + " mV", ""};
}

std::optional<ThermocoupleType> thermocouple_type(std::string_view text) {
  const auto at = text.size() == 1 ? letters.find(text.front()) : std::string_view::npos;
  if (at == std::string_view::npos) return std::nullopt;
  return static_cast<ThermocoupleType>(at);
}

char letter(ThermocoupleType type) {
  return letters[static_cast<std::size_t>(type)];
}

}  // namespace nightwell::thermometry

#include "thermometry/sprt.hpp"

#include <algorithm>
#include <cmath>
#include <optional>
#include <span>
#include <string>

#include "thermometry/faults.hpp"
#include "thermometry/polynomial.hpp"
#include "thermometry/sprt_tables.hpp"

namespace nightwell::thermometry {

namespace {

constexpr const char* doing = "standard platinum thermometer";
constexpr double triple_point_k = 273.16, zero_c_k = 273.15;
constexpr TemperatureSpan scale_span{tables::subranges[0].span_c.low_c, tables::subranges[5].span_c.high_c};
constexpr int most_iterations = 50;

// The two reference functions overlap between 0 °C and 0.01 °C, where they differ by 1e-8.
enum class Function { below, above };

Function function_at(double t_c) {
  return t_c < tables::triple_point_c ? Function::below : Function::above;
}

// The subrange says which function is meant: 1 to 4 stop at the triple point, 6 to 11 begin at 0 °C, 5 is on both sides.
Function function_of(int number, bool below_triple_point) {
  if (number <= 4) return Function::below;
  if (number >= 6) return Function::above;
  return below_triple_point ? Function::below : Function::above;
}

// Wr and dWr/dT.
ValueAndSlope reference(Function function, double t_c) {
  const double t_k = t_c + zero_c_k;
  if (function == Function::above) {
    const ValueAndSlope p = polynomial(tables::reference_above, (t_k - 754.15) / 481);
    return {p.value, p.slope / 481};
  }
  const ValueAndSlope p = polynomial(tables::reference_below, (std::log(t_k / triple_point_k) + 1.5) / 1.5);
  const double wr = std::exp(p.value);
  return {wr, wr * p.slope / (1.5 * t_k)};
}

double approximate_c(Function function, double wr) {
  if (function == Function::above) return polynomial(tables::inverse_above, (wr - 2.64) / 1.64).value;
  return triple_point_k * polynomial(tables::inverse_below, (std::pow(wr, 1.0 / 6) - 0.65) / 0.35).value - zero_c_k;
}

// `wr` lies on the scale, so the start is within 0.2 mK and each step squares what is left.
double solved_c(Function function, double wr) {
  double t_c = approximate_c(function, wr);
  for (int i = 0; i < most_iterations; ++i) {
    const ValueAndSlope at = reference(function, t_c);
    const double step_c = (at.value - wr) / at.slope;
    t_c -= step_c;
    if (std::abs(step_c) <= 1e-8) break;
  }
  return t_c;
}

// A subrange's deviation function, ready to be evaluated; made from a subrange that passed check().
class Deviation {
 public:
  explicit Deviation(const SprtSubrange& subrange) : number_(subrange.number), c_(subrange.coefficients) {
    if (number_ != 6) return;
    // d belongs above the W that the thermometer itself has at the aluminium point, which a, b and c give.
    w_aluminium_ = HUGE_VAL;
    w_aluminium_ = measured_ratio(reference(Function::above, tables::aluminium_c).value);
  }

  // W - Wr and its slope at the measured W.
  [[nodiscard]] ValueAndSlope at(double w) const {
    const double x = w - 1, l = std::log(w);
    switch (number_) {
      case 1: return plus(square(x), logarithms(l, w, 3));
      case 2: return plus(square(x), logarithms(l, w, 1));
      case 3: return plus(square(x), logarithms(l, w, 2));
      case 4: return {c_[0] * x + c_[1] * x * l, c_[0] + c_[1] * (l + x / w)};
      case 6: return plus(cube(x), above_aluminium(w));
      case 7: return cube(x);
      case 10:
      case 11: return {c_[0] * x, c_[0]};
      default: return square(x);
    }
  }

  // The W that belongs to a Wr: W - deviation(W) = Wr.
  [[nodiscard]] double measured_ratio(double wr) const {
    double w = wr;
    for (int i = 0; i < most_iterations; ++i) {
      const ValueAndSlope deviation = at(w);
      const double step = (w - deviation.value - wr) / (1 - deviation.slope);
      w -= step;
      if (std::abs(step) <= 1e-12 * w) break;
    }
    return w;
  }

 private:
  static ValueAndSlope plus(ValueAndSlope a, ValueAndSlope b) { return {a.value + b.value, a.slope + b.slope}; }
  [[nodiscard]] ValueAndSlope square(double x) const { return {x * (c_[0] + x * c_[1]), c_[0] + 2 * c_[1] * x}; }
  [[nodiscard]] ValueAndSlope cube(double x) const {
    return {x * (c_[0] + x * (c_[1] + x * c_[2])), c_[0] + x * (2 * c_[1] + 3 * c_[2] * x)};
  }
  [[nodiscard]] ValueAndSlope above_aluminium(double w) const {
    if (w <= w_aluminium_) return {};
    const double past = w - w_aluminium_;
    return {c_[3] * past * past, 2 * c_[3] * past};
  }
  // c1 l^first + c2 l^(first+1) + …, the coefficients from the third on.
  [[nodiscard]] ValueAndSlope logarithms(double l, double w, int first) const {
    const ValueAndSlope p = polynomial(std::span(c_).subspan(2), l);
    const double power = std::pow(l, first), power_slope = first * std::pow(l, first - 1);
    return {p.value * power, (p.slope * power + p.value * power_slope) / w};
  }

  int number_;
  std::span<const double> c_;
  double w_aluminium_ = 0;
};

bool exists(int number) {
  return number >= 1 && number <= static_cast<int>(tables::subranges.size());
}
const tables::Subrange& facts(int number) {
  return tables::subranges[static_cast<std::size_t>(number - 1)];
}

Result<void> check(const SprtSubrange& subrange) {
  if (!exists(subrange.number))
    return bad_coefficients(doing, "there is no ITS-90 subrange " + std::to_string(subrange.number) + ", only 1 to 11");
  const std::size_t wanted = facts(subrange.number).coefficients;
  if (subrange.coefficients.size() != wanted)
    return bad_coefficients(doing, "subrange " + std::to_string(subrange.number) + " has " +
                                       std::to_string(subrange.coefficients.size()) + " coefficients and needs " +
                                       std::to_string(wanted));
  return {};
}

Result<void> check_place(const SprtSubrange& subrange, int first, int last, const char* place) {
  if (auto sound = check(subrange); !sound) return sound;
  if (subrange.number >= first && subrange.number <= last) return {};
  return bad_coefficients(doing, "subrange " + std::to_string(subrange.number) + " cannot stand " + place +
                                     " the triple point of water; " + std::to_string(first) + " to " +
                                     std::to_string(last) + " can");
}

Result<void> check(const Sprt& sprt) {
  if (!(sprt.r_tpw_ohm > 0 && std::isfinite(sprt.r_tpw_ohm)))
    return bad_coefficients(
        doing, "R at the triple point of water is " + number(sprt.r_tpw_ohm) + " ohm and must be greater than 0");
  if (sprt.below)
    if (auto sound = check_place(*sprt.below, 1, 5, "below"); !sound) return sound;
  if (sprt.above)
    if (auto sound = check_place(*sprt.above, 5, 11, "above"); !sound) return sound;
  return {};
}

bool holds(const SprtSubrange& subrange, double t_c) {
  const TemperatureSpan span = facts(subrange.number).span_c;
  return t_c >= span.low_c - subrange_slack_k && t_c <= span.high_c + subrange_slack_k;
}

// Where both sides hold, `above` begins exactly at its low end, so that there and back use the same one.
const SprtSubrange* subrange_at(const Sprt& sprt, double t_c) {
  if (sprt.above && holds(*sprt.above, t_c) && (!sprt.below || t_c >= facts(sprt.above->number).span_c.low_c))
    return &*sprt.above;
  if (sprt.below && holds(*sprt.below, t_c)) return &*sprt.below;
  return nullptr;
}

Error nowhere(const Sprt& sprt, double found, const char* unit) {
  const TemperatureSpan span = sprt_span(sprt);
  return {Errc::out_of_range, doing,
          number(found) + " " + unit + " is outside " + number(span.low_c) + " to " + number(span.high_c) +
              " °C, where its subranges hold",
          ""};
}

// t90 as one subrange sees the measured W; nullopt where that is off the subrange.
std::optional<double> temperature_in(const SprtSubrange& subrange, double w) {
  const double wr = w - Deviation(subrange).at(w).value;
  const TemperatureSpan span = facts(subrange.number).span_c;
  const Function low = function_of(subrange.number, span.low_c < tables::triple_point_c);
  const Function high = function_of(subrange.number, span.high_c <= tables::triple_point_c);
  if (!(wr >= reference(low, span.low_c - subrange_slack_k).value &&
        wr <= reference(high, span.high_c + subrange_slack_k).value))
    return std::nullopt;
  return solved_c(function_of(subrange.number, wr < 1), wr);
}

// W and dW/dT at t90, for a card that passed check().
Result<ValueAndSlope> ratio_at(const Sprt& sprt, double t_c) {
  if (auto sound = check(sprt); !sound) return sound.error();
  const SprtSubrange* subrange = subrange_at(sprt, t_c);
  if (subrange == nullptr) return nowhere(sprt, t_c, "°C");
  const Deviation deviation(*subrange);
  const ValueAndSlope wr = reference(function_of(subrange->number, t_c < tables::triple_point_c), t_c);
  const double w = deviation.measured_ratio(wr.value);
  const ValueAndSlope at = deviation.at(w);
  if (!(at.slope < 1 && std::abs(w - at.value - wr.value) < 1e-10))
    return bad_coefficients(doing, "the deviation of subrange " + std::to_string(subrange->number) +
                                       " leaves no resistance for " + number(t_c) + " °C");
  return ValueAndSlope{w, wr.slope / (1 - at.slope)};
}

}  // namespace

Result<double> reference_ratio(double t_c) {
  if (!(t_c >= scale_span.low_c && t_c <= scale_span.high_c))
    return beyond(doing, t_c, scale_span.low_c, scale_span.high_c, "°C");
  return reference(function_at(t_c), t_c).value;
}

Result<double> reference_temperature_c(double wr) {
  const double lowest = reference(Function::below, scale_span.low_c - subrange_slack_k).value;
  const double highest = reference(Function::above, scale_span.high_c + subrange_slack_k).value;
  if (!(wr >= lowest && wr <= highest))
    return Error{Errc::out_of_range, doing,
                 "a resistance ratio of " + number(wr) + " is outside " + number(lowest) + " to " + number(highest),
                 ""};
  return solved_c(wr < 1 ? Function::below : Function::above, wr);
}

Result<double> deviation(const SprtSubrange& subrange, double w) {
  if (auto sound = check(subrange); !sound) return sound.error();
  if (!(w > 0)) return Error{Errc::out_of_range, doing, "a resistance ratio of " + number(w) + " is not above 0", ""};
  return Deviation(subrange).at(w).value;
}

Result<double> sprt_temperature_c(const Sprt& sprt, double r_ohm) {
  if (auto sound = check(sprt); !sound) return sound.error();
  const double w = r_ohm / sprt.r_tpw_ohm;
  if (!(w > 0)) return nowhere(sprt, r_ohm, "ohm");
  if (sprt.above) {
    const auto t_c = temperature_in(*sprt.above, w);
    if (t_c && (!sprt.below || *t_c >= facts(sprt.above->number).span_c.low_c)) return *t_c;
  }
  if (sprt.below)
    if (const auto t_c = temperature_in(*sprt.below, w)) return *t_c;
  return nowhere(sprt, r_ohm, "ohm");
}

Result<double> sprt_resistance_ohm(const Sprt& sprt, double t_c) {
  const auto at = ratio_at(sprt, t_c);
  if (!at) return at.error();
  return sprt.r_tpw_ohm * at->value;
}

Result<double> sprt_slope_ohm_per_k(const Sprt& sprt, double t_c) {
  const auto at = ratio_at(sprt, t_c);
  if (!at) return at.error();
  return sprt.r_tpw_ohm * at->slope;
}

TemperatureSpan sprt_span(const Sprt& sprt) {
  TemperatureSpan out{tables::triple_point_c, tables::triple_point_c};
  for (const auto* subrange : {&sprt.below, &sprt.above}) {
    if (!*subrange || !exists((*subrange)->number)) continue;
    const TemperatureSpan span = facts((*subrange)->number).span_c;
    out.low_c = std::min(out.low_c, span.low_c);
    out.high_c = std::max(out.high_c, span.high_c);
  }
  return out;
}

}  // namespace nightwell::thermometry

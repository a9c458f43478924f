#include "thermometry/sprt.hpp"

#include <array>
#include <charconv>
#include <cmath>
#include <functional>
#include <span>

namespace nightwell::thermometry {

namespace {

constexpr double triple_point_k = 273.16, zero_c_k = 273.15;
constexpr double lowest_k = 13.8033, highest_k = 1234.93;
constexpr double aluminium_c = 660.323;
constexpr int most_iterations = 100;

constexpr std::array<double, 13> below_a{
    -2.13534729, 3.1832472, -1.80143597, 0.71727204, 0.50344027, -0.61899395,
    -0.05332322, 0.28021362, 0.10715224, -0.29302865, 0.04459872, 0.11868632,
    -0.05248134};
constexpr std::array<double, 10> above_c{
    2.78157254, 1.64650916, -0.1371439, -0.00649767, -0.00234444, 0.00511868,
    0.00187982, -0.00204472, -0.00046122, 0.00045724};
constexpr std::array<double, 16> inverse_b{
    0.183324722, 0.240975303, 0.209108771, 0.190439972, 0.142648498, 0.077993465,
    0.012475611, -0.032267127, -0.075291522, -0.05647067, 0.076201285, 0.123893204,
    -0.029201193, -0.091173542, 0.001317696, 0.026025526};
constexpr std::array<double, 10> inverse_d{
    439.932854, 472.41802, 37.684494, 7.472018, 2.920828, 0.005184,
    -0.963864, -0.188732, 0.191203, 0.049025};

double horner(std::span<const double> c, double x) {
  double value = 0;
  for (std::size_t i = c.size(); i-- > 0;) value = value * x + c[i];
  return value;
}

// Each subrange of ITS-90: its range and how many coefficients its deviation function has.
struct SubrangeForm {
  TemperatureSpan span;
  std::size_t coefficients;
};
constexpr std::array<SubrangeForm, 11> forms{{{{lowest_k - zero_c_k, 0.01}, 7},
                                              {{24.5561 - zero_c_k, 0.01}, 5},
                                              {{54.3584 - zero_c_k, 0.01}, 3},
                                              {{83.8058 - zero_c_k, 0.01}, 2},
                                              {{-38.8344, 29.7646}, 2},
                                              {{0, 961.78}, 4},
                                              {{0, aluminium_c}, 3},
                                              {{0, 419.527}, 2},
                                              {{0, 231.928}, 2},
                                              {{0, 156.5985}, 1},
                                              {{0, 29.7646}, 1}}};

std::string number(double value) {
  char text[40];
  return {text, std::to_chars(text, text + sizeof text, value, std::chars_format::general, 9).ptr};
}

Error beyond(const std::string& what, TemperatureSpan span) {
  return {Errc::out_of_range, "standard platinum thermometer",
          what + " is outside " + number(span.low_c) + " to " + number(span.high_c) + " °C", ""};
}

// Wr at a temperature known to lie in range.
double ratio_at(double t_k) {
  if (t_k < triple_point_k) return std::exp(horner(below_a, (std::log(t_k / triple_point_k) + 1.5) / 1.5));
  return horner(above_c, (t_k - 754.15) / 481);
}

double guess_k(double wr) {
  if (wr < 1) return triple_point_k * horner(inverse_b, (std::pow(wr, 1.0 / 6) - 0.65) / 0.35);
  return zero_c_k + horner(inverse_d, (wr - 2.64) / 1.64);
}

// Solves f(x) = 0 between low and high for a rising f, by secants that never leave the bracket.
double solve_rising(const std::function<double(double)>& f, double low, double high, double guess) {
  double x = guess > low && guess < high ? guess : (low + high) / 2;
  double previous = x + (x - low < high - x ? 1e-3 : -1e-3) * (high - low);
  double value_before = f(previous);
  for (int i = 0; i < most_iterations; ++i) {
    const double value = f(x);
    if (value == 0) return x;
    (value > 0 ? high : low) = x;
    double next = x - value * (x - previous) / (value - value_before);
    if (!(next > low && next < high)) next = (low + high) / 2;
    if (std::abs(next - x) <= 1e-13 * std::abs(x)) return next;
    previous = x;
    value_before = value;
    x = next;
  }
  return x;
}

// W - Wr as a function of t90, for the way back: W solves W - deviation(W) = Wr.
double measured_ratio(const SprtSubrange& subrange, double wr) {
  double w = wr;
  for (int i = 0; i < most_iterations; ++i) {
    const double next = wr + deviation(subrange, w);
    if (std::abs(next - w) <= 1e-15 * w) return next;
    w = next;
  }
  return w;
}

const SprtSubrange* for_temperature(const Sprt& sprt, double t_c) {
  const auto holds = [t_c](const std::optional<SprtSubrange>& s) {
    return s && t_c >= subrange_span(s->number).low_c && t_c <= subrange_span(s->number).high_c;
  };
  if (holds(sprt.above)) return &*sprt.above;
  if (holds(sprt.below)) return &*sprt.below;
  return nullptr;
}

}  // namespace

Result<double> reference_ratio(double t_c) {
  const double t_k = t_c + zero_c_k;
  if (!(t_k >= lowest_k - 1e-9 && t_k <= highest_k + 1e-9))
    return beyond(number(t_c) + " °C", {lowest_k - zero_c_k, highest_k - zero_c_k});
  return ratio_at(t_k);
}

Result<double> reference_temperature_c(double wr) {
  const double slack = 1e-9;
  if (!(wr >= ratio_at(lowest_k) * (1 - slack) && wr <= ratio_at(highest_k) * (1 + slack)))
    return beyond("Wr " + number(wr), {lowest_k - zero_c_k, highest_k - zero_c_k});
  const double t_k = solve_rising([wr](double t) { return ratio_at(t) - wr; }, lowest_k - 0.01, highest_k + 0.01, guess_k(wr));
  return t_k - zero_c_k;
}

TemperatureSpan subrange_span(int number) { return forms[static_cast<std::size_t>(number - 1)].span; }

Result<void> check(const SprtSubrange& subrange) {
  if (subrange.number < 1 || subrange.number > static_cast<int>(forms.size()))
    return Error{Errc::bad_input, "ITS-90 subrange", "found " + std::to_string(subrange.number) + ", allowed 1 to 11", ""};
  const std::size_t wanted = forms[static_cast<std::size_t>(subrange.number - 1)].coefficients;
  if (subrange.coefficients.size() != wanted)
    return Error{Errc::bad_input, "ITS-90 subrange " + std::to_string(subrange.number),
                 "found " + std::to_string(subrange.coefficients.size()) + " coefficients, needs " + std::to_string(wanted), ""};
  return {};
}

// Subranges 1 to 11 in the coefficients' order a, b, c…, d; powers of ln W begin at 3 in subrange 1 (c_i (ln W)^(i+2)), at
// 1 in 2, and are a single square in 3.
double deviation(const SprtSubrange& subrange, double w) {
  const auto& c = subrange.coefficients;
  const double x = w - 1, l = std::log(w);
  switch (subrange.number) {
    case 1: {
      double sum = c[0] * x + c[1] * x * x;
      for (std::size_t i = 1; i <= 5; ++i) sum += c[i + 1] * std::pow(l, static_cast<double>(i + 2));
      return sum;
    }
    case 2: return c[0] * x + c[1] * x * x + c[2] * l + c[3] * l * l + c[4] * l * l * l;
    case 3: return c[0] * x + c[1] * x * x + c[2] * l * l;
    case 4: return c[0] * x + c[1] * x * l;
    case 5:
    case 8:
    case 9: return c[0] * x + c[1] * x * x;
    case 6: {
      const SprtSubrange to_aluminium{7, {c[0], c[1], c[2]}};
      const double w_aluminium = measured_ratio(to_aluminium, ratio_at(aluminium_c + zero_c_k));
      const double above = w > w_aluminium ? c[3] * (w - w_aluminium) * (w - w_aluminium) : 0;
      return c[0] * x + c[1] * x * x + c[2] * x * x * x + above;
    }
    case 7: return c[0] * x + c[1] * x * x + c[2] * x * x * x;
    default: return c[0] * x;
  }
}

TemperatureSpan sprt_span(const Sprt& sprt) {
  TemperatureSpan out{0.01, 0.01};
  for (const auto& s : {sprt.below, sprt.above}) {
    if (!s) continue;
    out.low_c = std::min(out.low_c, subrange_span(s->number).low_c);
    out.high_c = std::max(out.high_c, subrange_span(s->number).high_c);
  }
  return out;
}

Result<double> sprt_temperature_c(const Sprt& sprt, double r_ohm) {
  const double w = r_ohm / sprt.r_tpw_ohm;
  if (!(w > 0)) return beyond(number(r_ohm) + " ohm", sprt_span(sprt));
  // 0 °C to 0.01 °C belong to both sides; the side above 0 °C is preferred there.
  const bool above = sprt.above && w >= ratio_at(zero_c_k) - 1e-6;
  const auto& subrange = above ? sprt.above : sprt.below ? sprt.below : sprt.above;
  if (!subrange) return beyond(number(r_ohm) + " ohm", sprt_span(sprt));
  if (auto sound = check(*subrange); !sound) return sound.error();
  auto t_c = reference_temperature_c(w - deviation(*subrange, w));
  if (!t_c) return t_c;
  constexpr double slack_k = 0.005;  // a reading at the end of the range, with its noise
  const auto range = subrange_span(subrange->number);
  if (*t_c < range.low_c - slack_k || *t_c > range.high_c + slack_k) return beyond(number(*t_c) + " °C", range);
  return t_c;
}

Result<double> sprt_resistance_ohm(const Sprt& sprt, double t_c) {
  const SprtSubrange* subrange = for_temperature(sprt, t_c);
  if (subrange == nullptr) return beyond(number(t_c) + " °C", sprt_span(sprt));
  if (auto sound = check(*subrange); !sound) return sound.error();
  const auto wr = reference_ratio(t_c);
  if (!wr) return wr;
  return sprt.r_tpw_ohm * measured_ratio(*subrange, *wr);
}

}  // namespace nightwell::thermometry

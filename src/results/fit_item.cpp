#include "results/fit_item.hpp"

#include <algorithm>
#include <cmath>

namespace nightwell::results {

namespace {

using thermometry::FitPoint;
using thermometry::SensorFit;

constexpr const char* fitting = "fitting an item";
constexpr int thermocouple_degree = 2;  // where none is asked for

Error no_fit(std::string why) {
  return {Errc::bad_input, fitting, std::move(why), ""};
}

std::optional<double> junction_c(const Plateau& plateau, const Channel& channel) {
  if (const auto* fixed = std::get_if<JunctionFixed>(&channel.junction)) return fixed->t_c;
  if (std::holds_alternative<JunctionAtZero>(channel.junction)) return 0.0;
  if (const auto* measured = std::get_if<JunctionChannel>(&channel.junction))
    for (const Readings& one : plateau.junctions)
      if (one.channel == measured->channel) return one.mean_c;
  return std::nullopt;
}

// The emf that a thermocouple would give with its junction at 0 °C.
Result<double> at_zero_v(thermometry::ThermocoupleType type, double raw_v, std::optional<double> junction) {
  const thermometry::SensorModel reference = thermometry::Thermocouple{type, {}};
  const auto t_c = thermometry::temperature_c(reference, raw_v, junction);
  if (!t_c) return t_c.error();
  return thermometry::raw_value(reference, *t_c, 0.0);
}

Result<FitPoint> point_of(const Plateau& plateau, const Item& item, const Channel& channel) {
  FitPoint out;
  out.t_c = *item.readings.mean_c - *item.error_k;
  out.raw = *item.readings.raw_mean;
  out.u_k = std::hypot(*item.standard_error_k, plateau.reference.drift_k.value_or(0) / (2 * std::sqrt(3.0)));
  if (const auto* thermocouple = std::get_if<thermometry::Thermocouple>(&channel.model)) {
    const auto emf_v = at_zero_v(thermocouple->type, out.raw, junction_c(plateau, channel));
    if (!emf_v) return emf_v.error();
    out.raw = *emf_v;
  }
  return out;
}

// Not settled counts too: the plateau says so, and its scatter and drift weigh it.
Result<void> collect(const Results& results, ItemFit& out) {
  const Channel& channel = results.channels[out.channel];
  for (std::size_t p = 0; p < results.plateaus.size(); ++p)
    for (const Item& item : results.plateaus[p].items) {
      if (item.readings.channel != out.channel || !item.error_k || !item.standard_error_k) continue;
      auto point = point_of(results.plateaus[p], item, channel);
      if (!point) return point.error();
      out.plateaus.push_back(p);
      out.points.push_back(*point);
    }
  return {};
}

struct Fitter {
  const std::vector<FitPoint>& points;
  const FitOptions& options;

  Result<SensorFit> operator()(const thermometry::Thermocouple& sensor) const {
    return thermometry::fit_thermocouple(sensor.type, points, options.degree.value_or(thermocouple_degree),
                                         options.through_zero);
  }
  Result<SensorFit> operator()(const thermometry::Platinum& sensor) const {
    return thermometry::fit_platinum(points, {true, options.fit_c, sensor});
  }
  Result<SensorFit> operator()(const thermometry::Sprt& sensor) const {
    thermometry::SprtFitOptions sprt;
    sprt.r_tpw_ohm = sensor.r_tpw_ohm;
    if (options.subrange)
      sprt.subrange = *options.subrange;
    else if (sensor.below.has_value() != sensor.above.has_value())
      sprt.subrange = sensor.below ? sensor.below->number : sensor.above->number;
    else
      return no_fit("which ITS-90 subrange? the card has two: give one");
    return thermometry::fit_sprt(points, sprt);
  }
  // Its model has limits of its own; a reading beyond the plateaus must still be one.
  Result<SensorFit> operator()(const thermometry::Thermistor& sensor) const {
    const thermometry::TemperatureSpan range{sensor.low_c, sensor.high_c};
    if (options.degree) return thermometry::fit_thermistor_polynomial(points, *options.degree, range);
    return thermometry::fit_thermistor(points, range);
  }
  Result<SensorFit> operator()(const thermometry::ThermistorPolynomial& sensor) const {
    const int own = static_cast<int>(sensor.coefficients.size()) - 1;
    return thermometry::fit_thermistor_polynomial(points, options.degree.value_or(own),
                                                  thermometry::TemperatureSpan{sensor.low_c, sensor.high_c});
  }
  Result<SensorFit> operator()(const thermometry::CurrentTransmitter&) const {
    return no_fit("a transmitter is adjusted, not fitted");
  }
  Result<SensorFit> operator()(const thermometry::Indicated&) const {
    return no_fit("an indicated temperature has no coefficients");
  }
};

std::optional<double> u95_of(const Results& results, const ItemFit& fit) {
  double largest_k = 0;
  for (const std::size_t plateau : fit.plateaus)
    for (const Item& item : results.plateaus[plateau].items) {
      if (item.readings.channel != fit.channel) continue;
      if (!item.budget || !item.budget->gaps.empty() || !item.budget->expanded_k) return std::nullopt;
      largest_k = std::max(largest_k, *item.budget->expanded_k);
    }
  if (!fit.fit.leave_one_out_rms_k) return std::nullopt;
  return std::hypot(largest_k, 2 * *fit.fit.leave_one_out_rms_k);
}

}  // namespace

Result<ItemFit> fit_channel(const Results& results, std::size_t channel, const FitOptions& options) {
  ItemFit out;
  out.channel = channel;
  if (auto collected = collect(results, out); !collected) return collected.error();
  if (out.points.empty())
    return no_fit("no plateau has an error of " + results.channels[channel].name +
                  " with a scatter: that takes two readings");
  auto fit = std::visit(Fitter{out.points, options}, results.channels[channel].model);
  if (!fit) return fit.error();
  out.fit = std::move(fit).value();
  out.u95_k = u95_of(results, out);
  return out;
}

Result<ItemFit> fit_item(const Results& results, const std::string& item, const FitOptions& options) {
  const auto found = std::find_if(results.channels.begin(), results.channels.end(), [&](const Channel& channel) {
    return channel.role == Role::item && (channel.name == item || channel.serial == item);
  });
  if (found != results.channels.end())
    return fit_channel(results, static_cast<std::size_t>(found - results.channels.begin()), options);
  std::string items;
  for (const Channel& channel : results.channels)
    if (channel.role == Role::item) items += (items.empty() ? "" : ", ") + channel.name;
  return Error{Errc::not_found, fitting, "the run has no item \"" + item + "\"; its items are " + items, ""};
}

}  // namespace nightwell::results

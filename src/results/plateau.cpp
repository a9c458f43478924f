// Method.
// 1. A channel's readings are converted to temperatures one by one. A thermocouple whose junction is another channel
//    takes that channel's temperature at the moment of its own reading, on the line between the junction readings
//    before and after; so channels without such a junction go first.
// 2. The reference at a moment is the mean, over the references, of each one's temperature on the line between its
//    readings before and after that moment. A linear drift therefore cancels in any reading order.
// 3. An item's error is the mean of (item - reference) over its readings.
// Before a series' first point and behind its last there is no line; the nearest point stands in, and is counted.

#include "results/plateau.hpp"

#include <algorithm>
#include <cmath>

#include "results/series.hpp"
#include "uncertainty/statistics.hpp"

namespace nightwell::results {

namespace {

struct Converted {
  Readings summary;
  std::vector<Point> points;  // temperatures
  std::vector<double> raw;    // of the same readings
};

void count_fault(std::vector<FaultCount>& faults, const std::string& code) {
  const auto known =
      std::find_if(faults.begin(), faults.end(), [&](const FaultCount& fault) { return fault.code == code; });
  if (known == faults.end())
    faults.push_back({code, 1});
  else
    ++known->count;
}

// Temperatures of the junction channels read so far; an entry a channel.
using SeriesOfAll = std::vector<Series>;

class Converter {
 public:
  Converter(const Channel& channel, const SeriesOfAll& series) : channel_(channel), series_(series) {}

  void take(const RawReading& reading) {
    if (!reading.raw) return count_fault(out_.summary.faults, reading.fault.empty() ? "unexpected" : reading.fault);
    const Moment junction = std::visit([&](const auto& kind) { return at(kind, reading.at_s); }, channel_.junction);
    if (junction.unknown) return count_fault(out_.summary.faults, "no_junction");
    const auto t_c = thermometry::temperature_c(channel_.model, *reading.raw, junction.t_c);
    if (!t_c) return count_fault(out_.summary.faults, nightwell::name(t_c.error().code));
    if (junction.outside) ++out_.summary.junction_outside;
    out_.points.push_back({reading.at_s, *t_c});
    out_.raw.push_back(*reading.raw);
  }

  Converted finish() && { return std::move(out_); }

 private:
  struct Moment {
    std::optional<double> t_c;
    bool outside = false;
    bool unknown = false;
  };
  static Moment at(const NoJunction&, double) { return {}; }
  static Moment at(const JunctionFixed& junction, double) { return {junction.t_c, false, false}; }
  static Moment at(const JunctionAtZero&, double) { return {0.0, false, false}; }
  [[nodiscard]] Moment at(const JunctionChannel& junction, double at_s) const {
    const auto value = series_[junction.channel].at(at_s);
    if (!value) return {std::nullopt, false, true};
    return {value->value, !value->between, false};
  }

  const Channel& channel_;
  const SeriesOfAll& series_;
  Converted out_;
};

std::vector<double> values_of(const std::vector<Point>& points) {
  std::vector<double> values;
  values.reserve(points.size());
  for (const Point& point : points) values.push_back(point.value);
  return values;
}

void summarise(Converted& converted, const Series& series) {
  Readings& summary = converted.summary;
  summary.n = converted.points.size();
  const auto sample = uncertainty::sample(values_of(converted.points));
  summary.raw_mean = uncertainty::mean(converted.raw);
  summary.mean_c = sample.mean;
  summary.sd_k = sample.standard_deviation;
  summary.drift_k = drift(series);
}

bool needs_another(const Channel& channel) {
  return std::holds_alternative<JunctionChannel>(channel.junction);
}

// All channels' temperatures: those that junctions are read from first.
std::vector<Converted> convert_all(const std::vector<Channel>& channels, const std::vector<RawReading>& readings,
                                   SeriesOfAll& series) {
  std::vector<std::vector<const RawReading*>> own(channels.size());
  for (const RawReading& reading : readings) own[reading.channel].push_back(&reading);
  std::vector<Converted> all(channels.size());
  for (const bool dependent : {false, true}) {
    for (std::size_t i = 0; i < channels.size(); ++i) {
      if (needs_another(channels[i]) != dependent) continue;
      Converter converter(channels[i], series);
      for (const RawReading* reading : own[i]) converter.take(*reading);
      all[i] = std::move(converter).finish();
      all[i].summary.channel = i;
      series[i] = Series(all[i].points);
      summarise(all[i], series[i]);
    }
  }
  return all;
}

Reference reference_of(const std::vector<Channel>& channels, const std::vector<Converted>& all) {
  Reference out;
  for (std::size_t i = 0; i < channels.size(); ++i) {
    if (channels[i].role != Role::reference) continue;
    out.each.push_back(all[i].summary);
    out.n += all[i].summary.n;
    if (all[i].summary.n == 0) out.missing.push_back(i);
  }
  if (out.each.empty() || !out.missing.empty()) return out;
  const auto count = static_cast<double>(out.each.size());
  double sum_c = 0, sum_drift_k = 0, sum_squares = 0, degrees = 0;
  bool all_drift = true;
  for (const Readings& one : out.each) {
    sum_c += *one.mean_c;
    all_drift = all_drift && one.drift_k.has_value();
    sum_drift_k += one.drift_k.value_or(0);
    if (!one.sd_k) continue;
    sum_squares += static_cast<double>(one.n - 1) * *one.sd_k * *one.sd_k;
    degrees += static_cast<double>(one.n - 1);
  }
  out.mean_c = sum_c / count;
  if (all_drift) out.drift_k = sum_drift_k / count;
  if (degrees > 0) out.sd_k = std::sqrt(sum_squares / degrees);
  if (out.each.size() == 2) out.difference_k = *out.each[0].mean_c - *out.each[1].mean_c;
  return out;
}

// The mean of all references at a moment; false in `between` where one of them has only a nearest reading.
Series::Value reference_at(const Reference& reference, const SeriesOfAll& series, double at_s) {
  Series::Value out{0, true};
  for (const Readings& one : reference.each) {
    const auto value = series[one.channel].at(at_s);
    out.value += value->value / static_cast<double>(reference.each.size());
    out.between = out.between && value->between;
  }
  return out;
}

Item item_of(const Converted& converted, const Reference& reference, const SeriesOfAll& series) {
  Item out;
  out.readings = converted.summary;
  if (!reference.mean_c || converted.points.empty()) return out;
  std::vector<double> errors_k;
  for (const Point& point : converted.points) {
    const auto value = reference_at(reference, series, point.at_s);
    errors_k.push_back(point.value - value.value);
    if (!value.between) ++out.reference_outside;
  }
  const auto sample = uncertainty::sample(errors_k);
  out.error_k = sample.mean;
  out.error_sd_k = sample.standard_deviation;
  out.standard_error_k = sample.standard_deviation_of_mean;
  return out;
}

}  // namespace

void work_out(Plateau& plateau, const std::vector<Channel>& channels, const std::vector<RawReading>& readings) {
  for (const RawReading& reading : readings) {
    plateau.from_s = std::min(plateau.from_s.value_or(reading.at_s), reading.at_s);
    plateau.to_s = std::max(plateau.to_s.value_or(reading.at_s), reading.at_s);
  }
  SeriesOfAll series(channels.size());
  const auto all = convert_all(channels, readings, series);
  plateau.reference = reference_of(channels, all);
  for (std::size_t i = 0; i < channels.size(); ++i) {
    if (channels[i].role == Role::item) plateau.items.push_back(item_of(all[i], plateau.reference, series));
    if (channels[i].role == Role::junction) plateau.junctions.push_back(all[i].summary);
  }
}

}  // namespace nightwell::results

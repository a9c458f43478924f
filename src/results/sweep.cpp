#include "results/sweep.hpp"

#include <charconv>

namespace nightwell::results {

namespace {

// {"3": {"code": …}}: the position in the order -> the code.
std::vector<journal::SweepRecord::Fault> faults_of(const Fields& fields) {
  std::vector<journal::SweepRecord::Fault> out;
  if (!fields.has("faults")) return out;
  for (const auto& [position, fault] : fields.at("faults").items()) {
    std::size_t at = 0;
    const auto done = std::from_chars(position.data(), position.data() + position.size(), at);
    if (done.ec != std::errc() || done.ptr != position.data() + position.size())
      fields.fail("\"faults\" has a key that is no position in the order");
    else
      out.push_back({at, fields.element(fault, ", fault at " + position).text("code")});
  }
  return out;
}

// The junction temperature of a reading; `known` false where there should be one and is none.
struct JunctionMoment {
  std::optional<double> t_c;
  bool known = true;
};

JunctionMoment junction_at(const Junction& junction, double at_s, const std::vector<Series>& series,
                           const std::vector<std::optional<double>>& last_c) {
  if (const auto* fixed = std::get_if<JunctionFixed>(&junction)) return {fixed->t_c};
  if (std::holds_alternative<JunctionAtZero>(junction)) return {0.0};
  const auto* channel = std::get_if<JunctionChannel>(&junction);
  if (!channel) return {};
  if (const auto value = series[channel->channel].at(at_s)) return {value->value};
  return {last_c[channel->channel], last_c[channel->channel].has_value()};
}

}  // namespace

Orders orders_of(const Fields& opening, std::size_t channels) {
  Orders out;
  const Fields orders = opening.object("orders");
  if (!opening.ok()) return out;
  for (const auto& [name, visits] : opening.at("orders").items()) out[name] = orders.indices(name.c_str(), channels);
  return out;
}

journal::SweepRecord sweep_record_of(const Fields& fields, const journal::Record& record) {
  journal::SweepRecord out;
  out.n = record.n;
  out.utc = record.utc;
  out.up = record.up;
  out.offset = record.offset;
  out.sweep = fields.whole("sweep");
  out.order = fields.text("order");
  out.purpose = fields.text("purpose");
  out.plateau = fields.whole_or_null("plateau");
  out.started_s = fields.number("started_s");
  out.at_s = fields.numbers("at_s");
  out.raw = fields.numbers_or_nulls("raw");
  out.faults = faults_of(fields);
  return out;
}

Result<Sweep> sweep_of(const journal::SweepRecord& record, const Orders& orders) {
  const auto found = orders.find(record.order);
  if (found == orders.end()) return damaged(place_of(record.n, "sweep"), "the opening has no order of this name");
  const auto& order = found->second;
  if (record.at_s.size() != order.size() || record.raw.size() != order.size())
    return damaged(place_of(record.n, "sweep"),
                   "\"at_s\" and \"raw\" must each have " + std::to_string(order.size()) + " entries, one a visit");
  Sweep out{record.sweep, record.order, record.purpose, record.plateau, {}};
  out.readings.reserve(order.size());
  for (std::size_t i = 0; i < order.size(); ++i)
    out.readings.push_back({order[i], record.started_s + record.at_s[i], record.raw[i], ""});
  for (const auto& fault : record.faults)
    if (fault.position < order.size()) out.readings[fault.position].fault = fault.code;
  return out;
}

SweepConverter::SweepConverter(const std::vector<Channel>& channels, Which which)
    : channels_(channels),
      uses_(channels.size(), Use::none),
      junctions_(channels.size()),
      last_junction_c_(channels.size()) {
  for (std::size_t i = 0; i < channels.size(); ++i) {
    if (which == Which::references && channels[i].role != Role::reference) continue;
    if (uses_[i] == Use::none) uses_[i] = Use::wanted;
    if (const auto* junction = std::get_if<JunctionChannel>(&channels[i].junction))
      uses_[junction->channel] = Use::junction;
  }
}

std::vector<std::optional<double>> SweepConverter::temperatures_c(const Sweep& sweep) {
  std::vector<std::optional<double>> out(sweep.readings.size());
  convert(sweep, Use::junction, out);
  keep_junctions(sweep, out);
  convert(sweep, Use::wanted, out);
  return out;
}

void SweepConverter::convert(const Sweep& sweep, Use use, std::vector<std::optional<double>>& t_c) const {
  for (std::size_t i = 0; i < sweep.readings.size(); ++i) {
    const RawReading& reading = sweep.readings[i];
    if (uses_[reading.channel] != use || !reading.raw) continue;
    const Channel& channel = channels_[reading.channel];
    const auto junction = junction_at(channel.junction, reading.at_s, junctions_, last_junction_c_);
    if (!junction.known) continue;
    if (const auto found = thermometry::temperature_c(channel.model, *reading.raw, junction.t_c)) t_c[i] = *found;
  }
}

void SweepConverter::keep_junctions(const Sweep& sweep, const std::vector<std::optional<double>>& t_c) {
  for (std::size_t channel = 0; channel < channels_.size(); ++channel) {
    if (uses_[channel] != Use::junction) continue;
    std::vector<Point> points;
    for (std::size_t i = 0; i < sweep.readings.size(); ++i)
      if (sweep.readings[i].channel == channel && t_c[i]) points.push_back({sweep.readings[i].at_s, *t_c[i]});
    junctions_[channel] = Series(std::move(points));
    if (!junctions_[channel].points().empty()) last_junction_c_[channel] = junctions_[channel].points().back().value;
  }
}

std::optional<Point> mean_reference(const std::vector<Channel>& channels, const Sweep& sweep,
                                    const std::vector<std::optional<double>>& t_c) {
  double sum_s = 0, sum_c = 0, references = 0;
  for (std::size_t channel = 0; channel < channels.size(); ++channel) {
    if (channels[channel].role != Role::reference) continue;
    double own_s = 0, own_c = 0, count = 0;
    for (std::size_t i = 0; i < sweep.readings.size(); ++i) {
      if (sweep.readings[i].channel != channel || !t_c[i]) continue;
      own_s += sweep.readings[i].at_s;
      own_c += *t_c[i];
      ++count;
    }
    if (count == 0) return std::nullopt;
    sum_s += own_s / count;
    sum_c += own_c / count;
    ++references;
  }
  if (references == 0) return std::nullopt;
  return Point{sum_s / references, sum_c / references};
}

}  // namespace nightwell::results

#include "sequence/conversion.hpp"

namespace nightwell::sequence {

namespace {

Result<std::optional<double>> junction_c(const Channel& channel, const std::vector<std::optional<double>>& known_c) {
  struct Visitor {
    const std::vector<std::optional<double>>& known_c;
    Result<std::optional<double>> operator()(const JunctionNone&) const { return std::optional<double>{}; }
    Result<std::optional<double>> operator()(const JunctionFixed& j) const { return std::optional<double>{j.t_c}; }
    Result<std::optional<double>> operator()(const JunctionInstrument&) const { return std::optional<double>{0.0}; }
    Result<std::optional<double>> operator()(const JunctionChannel& j) const {
      if (known_c[j.channel]) return known_c[j.channel];
      return Error{Errc::open_sensor, "converting a thermocouple", "its reference junction has not been read", ""};
    }
  };
  return std::visit(Visitor{known_c}, channel.junction);
}

ConvertedReading convert_one(const Channel& channel, const ChannelReading& reading,
                             const std::vector<std::optional<double>>& known_c) {
  ConvertedReading out{reading.channel, reading.at, std::nullopt, reading.fault};
  if (!reading.raw) {
    if (!out.fault) out.fault = ReadingFault{Errc::unexpected, "no value and no reason"};
    return out;
  }
  const auto junction = junction_c(channel, known_c);
  if (!junction) {
    out.fault = ReadingFault{junction.error().code, junction.error().text()};
    return out;
  }
  const auto t_c = thermometry::temperature_c(channel.card.model, *reading.raw, *junction);
  if (t_c)
    out.t_c = *t_c;
  else
    out.fault = ReadingFault{t_c.error().code, t_c.error().text()};
  return out;
}

}  // namespace

std::vector<ConvertedReading> convert(const Plan& plan, const std::vector<ChannelReading>& readings,
                                      std::vector<std::optional<double>> last_known_c) {
  std::vector<ConvertedReading> out;
  out.reserve(readings.size());
  for (const auto& reading : readings) {
    out.push_back(convert_one(plan.channels[reading.channel], reading, last_known_c));
    if (out.back().t_c) last_known_c[reading.channel] = out.back().t_c;
  }
  return out;
}

std::optional<MeanReading> mean_of(const std::vector<ConvertedReading>& readings, std::size_t channel) {
  double sum_c = 0;
  Duration sum_at{0};
  int count = 0;
  for (const auto& reading : readings) {
    if (reading.channel != channel || !reading.t_c) continue;
    sum_c += *reading.t_c;
    sum_at += reading.at.since_open;
    ++count;
  }
  if (count == 0) return std::nullopt;
  return MeanReading{Instant{sum_at / count}, sum_c / count};
}

std::optional<MeanReading> mean_reference(const Plan& plan, const std::vector<ConvertedReading>& readings) {
  double sum_c = 0;
  Duration sum_at{0};
  int count = 0;
  for (const std::size_t channel : channels_with(plan, Role::reference)) {
    const auto mean = mean_of(readings, channel);
    if (!mean) return std::nullopt;
    sum_c += mean->t_c;
    sum_at += mean->at.since_open;
    ++count;
  }
  if (count == 0) return std::nullopt;
  return MeanReading{Instant{sum_at / count}, sum_c / count};
}

}  // namespace nightwell::sequence

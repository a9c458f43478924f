#include "results/monte_carlo.hpp"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <limits>
#include <thread>
#include <utility>

namespace nightwell::results {

namespace {

constexpr std::size_t most_trials = 2'000'000;

// A sensor at its mean reading, and how its temperature moves when raw value and junction do.
struct Place {
  const Channel* channel = nullptr;
  double raw = 0;
  std::optional<double> junction_c;
  double t_c = 0;

  [[nodiscard]] double moved_k(double raw_by, double junction_by) const {
    const auto junction = junction_c ? std::optional(*junction_c + junction_by) : std::nullopt;
    const auto there = thermometry::temperature_c(channel->model, raw + raw_by, junction);
    return there ? *there - t_c : std::numeric_limits<double>::quiet_NaN();
  }
};

std::optional<Place> place_of(const Channel& channel, const Readings& readings, std::optional<double> junction_c) {
  if (!readings.raw_mean) return std::nullopt;
  const auto t_c = thermometry::temperature_c(channel.model, *readings.raw_mean, junction_c);
  if (!t_c) return std::nullopt;
  return Place{&channel, *readings.raw_mean, junction_c, *t_c};
}

// An input's part in something: `each` of it a unit of the line.
struct Part {
  std::size_t line = 0;
  double each = 1;
};
using Parts = std::vector<Part>;

double sum(const Parts& parts, std::span<const double> trial) {
  double out = 0;
  for (const Part& part : parts) out += part.each * trial[part.line];
  return out;
}

struct Block {
  Place place;
  Parts raw;
};

// Item or reference: `share` of its temperature is in the error.
struct Sensor {
  Place place;
  double share = 1;
  std::optional<Block> block;  // where a channel measures its junction
  Parts raw, junction_k;
};

struct Model {
  double error_k = 0;
  Parts straight;  // kelvin of the error
  std::vector<Sensor> sensors;

  double operator()(std::span<const double> trial) const {
    double out = error_k + sum(straight, trial);
    for (const Sensor& sensor : sensors) {
      double junction_by = sum(sensor.junction_k, trial);
      if (sensor.block && !sensor.block->raw.empty())
        junction_by += sensor.block->place.moved_k(sum(sensor.block->raw, trial), 0);
      if (!sensor.raw.empty() || junction_by != 0)
        out += sensor.share * sensor.place.moved_k(sum(sensor.raw, trial), junction_by);
    }
    return out;
  }
};

struct JunctionTemperature {
  const Plateau& plateau;
  std::optional<double> operator()(const NoJunction&) const { return std::nullopt; }
  std::optional<double> operator()(const JunctionFixed& fixed) const { return fixed.t_c; }
  std::optional<double> operator()(const JunctionAtZero&) const { return 0.0; }
  std::optional<double> operator()(const JunctionChannel& junction) const {
    for (const Readings& one : plateau.junctions)
      if (one.channel == junction.channel) return one.mean_c;
    return std::nullopt;
  }
};

Error no_check(const std::string& why) {
  return {Errc::bad_input, "Monte Carlo of a budget", why, ""};
}

const Readings* junction_readings(const Plateau& plateau, const Channel& channel) {
  if (const auto* junction = std::get_if<JunctionChannel>(&channel.junction))
    for (const Readings& one : plateau.junctions)
      if (one.channel == junction->channel) return &one;
  return nullptr;
}

// The entries of all lines into one place.
Parts parts_into(const std::vector<BudgetLine>& lines, Enters where, std::size_t channel) {
  Parts out;
  for (std::size_t i = 0; i < lines.size(); ++i)
    for (const Entry& entry : lines[i].entries)
      if (entry.where == where && (where == Enters::error || entry.channel == channel)) out.push_back({i, entry.each});
  return out;
}

Result<Sensor> sensor_of(const Results& results, const Plateau& plateau, const std::vector<BudgetLine>& lines,
                         const Readings& readings, double share) {
  const Channel& channel = results.channels[readings.channel];
  const auto place = place_of(channel, readings, std::visit(JunctionTemperature{plateau}, channel.junction));
  if (!place) return no_check("the mean reading of " + channel.name + " has no temperature");
  Sensor out{*place, share, std::nullopt, parts_into(lines, Enters::raw, readings.channel),
             parts_into(lines, Enters::junction, readings.channel)};
  if (const Readings* junction = junction_readings(plateau, channel)) {
    const auto block = place_of(results.channels[junction->channel], *junction, std::nullopt);
    if (!block)
      return no_check("the mean reading of " + results.channels[junction->channel].name + " has no temperature");
    out.block = Block{*block, parts_into(lines, Enters::raw, junction->channel)};
  }
  return out;
}

Result<Model> model_of(const Results& results, const Plateau& plateau, const Item& item) {
  const auto& lines = item.budget->lines;
  Model out{*item.error_k, parts_into(lines, Enters::error, 0), {}};
  auto calibrated = sensor_of(results, plateau, lines, item.readings, 1);
  if (!calibrated) return calibrated.error();
  out.sensors.push_back(*std::move(calibrated));
  const double share = 1.0 / static_cast<double>(std::max<std::size_t>(1, plateau.reference.each.size()));
  for (const Readings& one : plateau.reference.each) {
    auto reference = sensor_of(results, plateau, lines, one, -share);
    if (!reference) return reference.error();
    out.sensors.push_back(*std::move(reference));
  }
  return out;
}

}  // namespace

Result<MonteCarloCheck> monte_carlo(const Results& results, const Plateau& plateau, const Item& item,
                                    std::uint64_t seed, int digits) {
  if (!item.budget || !item.error_k || !item.budget->expanded_k) return no_check("there is no budget");
  auto model = model_of(results, plateau, item);
  if (!model) return model.error();
  std::vector<uncertainty::Input> inputs;
  for (const BudgetLine& line : item.budget->lines) {
    // Few readings are drawn from Student's t, as the supplement asks (6.4.9); the GUM counts them by degrees of freedom.
    const bool few =
        line.shape == uncertainty::Shape::normal && line.degrees_of_freedom && *line.degrees_of_freedom > 2;
    const auto distribution =
        uncertainty::Distribution::of(few ? uncertainty::Shape::t : line.shape, line.amount,
                                      line.degrees_of_freedom.value_or(uncertainty::infinite_degrees_of_freedom));
    if (!distribution) return distribution.error();
    inputs.push_back({0, *distribution});
  }
  uncertainty::MonteCarloOptions options;
  options.seed = seed;
  options.coverage = item.budget->coverage;
  options.significant_digits = digits;
  options.most_trials = most_trials;
  options.for_validation = true;
  auto found = uncertainty::monte_carlo(std::move(model).value(), inputs, {}, options);
  if (!found) return found.error();
  const auto agreement = uncertainty::agreement(*item.error_k, *item.budget->standard_k, *item.budget->expanded_k,
                                                found->symmetric, digits);
  if (!agreement) return agreement.error();
  return MonteCarloCheck{std::move(found).value(), *agreement};
}

std::vector<Result<MonteCarloCheck>> monte_carlo_of_all(const Results& results, std::uint64_t seed, int digits,
                                                        unsigned threads) {
  std::vector<std::pair<const Plateau*, const Item*>> all;
  for (const Plateau& plateau : results.plateaus)
    for (const Item& item : plateau.items) all.emplace_back(&plateau, &item);
  std::vector<std::optional<Result<MonteCarloCheck>>> found(all.size());
  std::atomic<std::size_t> next{0};
  const auto work = [&] {
    for (std::size_t i = next++; i < all.size(); i = next++)
      found[i] = monte_carlo(results, *all[i].first, *all[i].second, seed, digits);
  };
  {
    std::vector<std::jthread> helpers;
    for (unsigned i = 1; i < threads; ++i) helpers.emplace_back(work);
    work();
  }
  std::vector<Result<MonteCarloCheck>> out;
  for (auto& check : found) out.push_back(std::move(*check));
  return out;
}

}  // namespace nightwell::results

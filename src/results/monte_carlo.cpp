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

struct Model {
  std::vector<BudgetLine> lines;
  double error_k = 0;
  Place item;
  std::optional<Place> junction;  // where a channel measures it
  std::vector<Place> references;
  std::vector<std::size_t> reference_of_line;

  double operator()(std::span<const double> trial) const {
    double difference_k = error_k, item_raw = 0, junction_raw = 0, junction_k = 0;
    double references_k = 0;
    for (std::size_t i = 0; i < lines.size(); ++i) {
      switch (lines[i].enters) {
        case Enters::difference: difference_k += lines[i].sensitivity * trial[i]; break;
        case Enters::item_raw: item_raw += trial[i]; break;
        case Enters::junction_raw: junction_raw += trial[i]; break;
        case Enters::junction: junction_k += trial[i]; break;
        case Enters::reference_raw: break;
      }
    }
    for (std::size_t r = 0; r < references.size(); ++r) {
      double raw_by = 0;
      for (std::size_t i = 0; i < lines.size(); ++i)
        if (lines[i].enters == Enters::reference_raw && reference_of_line[i] == r) raw_by += trial[i];
      if (raw_by != 0) references_k += references[r].moved_k(raw_by, 0);
    }
    if (junction) junction_k += junction->moved_k(junction_raw, 0);
    return difference_k + item.moved_k(item_raw, junction_k) -
           references_k / static_cast<double>(std::max<std::size_t>(1, references.size()));
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

Result<Model> model_of(const Results& results, const Plateau& plateau, const Item& item) {
  Model out;
  out.lines = item.budget->lines;
  out.error_k = *item.error_k;
  const Channel& channel = results.channels[item.readings.channel];
  const auto at = place_of(channel, item.readings, std::visit(JunctionTemperature{plateau}, channel.junction));
  if (!at) return no_check("the item's mean reading has no temperature");
  out.item = *at;
  if (const auto* junction = std::get_if<JunctionChannel>(&channel.junction))
    for (const Readings& one : plateau.junctions)
      if (one.channel == junction->channel) out.junction = place_of(results.channels[one.channel], one, std::nullopt);
  for (const Readings& one : plateau.reference.each) {
    const Channel& reference = results.channels[one.channel];
    const auto there = place_of(reference, one, std::visit(JunctionTemperature{plateau}, reference.junction));
    if (!there) return no_check("a reference's mean reading has no temperature");
    out.references.push_back(*there);
  }
  for (const BudgetLine& line : out.lines) {
    const auto found = std::find_if(out.references.begin(), out.references.end(), [&](const Place& place) {
      return place.channel == &results.channels[line.channel];
    });
    out.reference_of_line.push_back(static_cast<std::size_t>(found - out.references.begin()));
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

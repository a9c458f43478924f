#include "results/hysteresis.hpp"

#include <algorithm>
#include <cmath>

#include "uncertainty/statistics.hpp"

namespace nightwell::results {

namespace {

// Where the items may have been before a plateau.
struct Whereabouts {
  double low_c = 0, high_c = 0;
};

class Errors {
 public:
  explicit Errors(Revisited place) : out_(std::move(place)) {}

  [[nodiscard]] bool at(const Plateau& plateau) const {
    return plateau.setpoint_c == out_.setpoint_c && plateau.source == out_.source;
  }
  void take(Direction direction, double error_k) {
    if (direction == Direction::up) up_k_.push_back(error_k);
    if (direction == Direction::down) down_k_.push_back(error_k);
  }
  [[nodiscard]] bool several() const { return up_k_.size() + down_k_.size() > 1; }

  Revisited summary() && {
    double squares = 0;
    out_.up = visits(up_k_, squares);
    out_.down = visits(down_k_, squares);
    if (out_.up.mean_k && out_.down.mean_k) out_.difference_k = *out_.up.mean_k - *out_.down.mean_k;
    if (out_.degrees_of_freedom > 0)
      out_.between_sd_k = std::sqrt(squares / static_cast<double>(out_.degrees_of_freedom));
    return std::move(out_);
  }

 private:
  Visits visits(const std::vector<double>& errors_k, double& squares) {
    const auto mean_k = uncertainty::mean(errors_k);
    for (const double error_k : errors_k) squares += (error_k - *mean_k) * (error_k - *mean_k);
    if (!errors_k.empty()) out_.degrees_of_freedom += errors_k.size() - 1;
    return {errors_k.size(), mean_k};
  }

  Revisited out_;
  std::vector<double> up_k_, down_k_;
};

// One channel's errors, an entry a setpoint and source in the order of their first plateaus.
std::vector<Errors> errors_of(const std::vector<Plateau>& plateaus, std::size_t channel) {
  std::vector<Errors> out;
  for (const Plateau& plateau : plateaus)
    for (const Item& item : plateau.items) {
      if (item.readings.channel != channel || !item.error_k) continue;
      auto place = std::find_if(out.begin(), out.end(), [&](const Errors& one) { return one.at(plateau); });
      if (place == out.end()) {
        Revisited here;
        here.channel = channel;
        here.setpoint_c = plateau.setpoint_c;
        here.source = plateau.source;
        place = out.insert(out.end(), Errors(std::move(here)));
      }
      place->take(plateau.direction, *item.error_k);
    }
  return out;
}

}  // namespace

void set_directions(std::vector<Plateau>& plateaus, std::optional<double> start_c) {
  std::optional<Whereabouts> before;
  if (start_c && !plateaus.empty()) before = {*start_c - plateaus[0].band_k, *start_c + plateaus[0].band_k};
  Direction last = Direction::unknown;
  for (Plateau& plateau : plateaus) {
    const double setpoint_c = plateau.setpoint_c;
    if (before && setpoint_c > before->high_c)
      plateau.direction = Direction::up;
    else if (before && setpoint_c < before->low_c)
      plateau.direction = Direction::down;
    else
      plateau.direction = before && before->low_c == before->high_c ? last : Direction::unknown;
    last = plateau.direction;
    if (plateau.sweeps > 0)
      before = {setpoint_c, setpoint_c};
    else if (before)
      before = {std::min(before->low_c, setpoint_c), std::max(before->high_c, setpoint_c)};
  }
}

std::vector<Revisited> revisited(const std::vector<Plateau>& plateaus) {
  std::vector<std::size_t> channels;
  for (const Plateau& plateau : plateaus)
    for (const Item& item : plateau.items) channels.push_back(item.readings.channel);
  std::sort(channels.begin(), channels.end());
  channels.erase(std::unique(channels.begin(), channels.end()), channels.end());
  std::vector<Revisited> out;
  for (const std::size_t channel : channels)
    for (Errors& errors : errors_of(plateaus, channel))
      if (errors.several()) out.push_back(std::move(errors).summary());
  return out;
}

const Revisited* revisited_at(const std::vector<Revisited>& all, std::size_t channel, const Plateau& plateau) {
  const auto found = std::find_if(all.begin(), all.end(), [&](const Revisited& one) {
    return one.channel == channel && one.setpoint_c == plateau.setpoint_c && one.source == plateau.source;
  });
  return found == all.end() ? nullptr : &*found;
}

}  // namespace nightwell::results

#include "daemon/planned_size.hpp"

#include <algorithm>

#include "daemon/records.hpp"
#include "sequence/estimate.hpp"
#include "sequence/reading_order.hpp"

namespace nightwell::daemon {

namespace {

constexpr double bytes_of_opening = 8 * 1024, bytes_of_channel = 2 * 1024, bytes_of_plateau = 4 * 1024;
constexpr double bytes_of_record = 400;          // frame, chain and the small fields
constexpr double bytes_of_reading = 40;          // raw value and offset
constexpr double bytes_of_capture_reading = 65;  // and the temperature
constexpr double generosity = 1.5;

// No plan samples faster than instruments answer.
constexpr double shortest_interval_s = 0.1;

double times(double lasting_s, Duration every) {
  return lasting_s / std::max(to_seconds(every), shortest_interval_s);
}

}  // namespace

std::uint64_t planned_bytes(const sequence::Plan& plan) {
  const double lasting_s = generosity * to_seconds(sequence::expected_duration(plan));
  const auto channels = static_cast<double>(plan.channels.size());
  double bytes = bytes_of_opening + bytes_of_channel * channels + static_cast<double>(plan.budget.size());
  for (const auto& scanner : plan.scanners) bytes += static_cast<double>(scanner.dialect.json.size());
  for (const auto& source : plan.sources) bytes += static_cast<double>(source.dialect.json.size());
  bytes += times(lasting_s, plan.sampling.every) * (bytes_of_record + bytes_of_reading * channels);
  bytes += times(lasting_s, figures_every) * bytes_of_record;
  for (const auto& source : plan.sources) bytes += times(lasting_s, source.poll) * bytes_of_record;
  for (const auto& plateau : plan.plateaus) {
    const auto visits = static_cast<double>(sequence::visits(plan, plateau.capture.order).size());
    bytes += bytes_of_plateau + plateau.capture.sweeps * (bytes_of_record + bytes_of_capture_reading * visits);
  }
  return static_cast<std::uint64_t>(bytes);
}

}  // namespace nightwell::daemon

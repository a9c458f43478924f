// The settle rule on real heater logs (tests/sequence/data, sources in its README): the moments at which it
// says steady are pinned. Run this test with -s to see, second by second, which test is holding.
#include <catch2/catch.hpp>
#include <charconv>
#include <fstream>

#include "sequence/settle_replay.hpp"

using namespace nightwell;
using namespace nightwell::sequence;
using namespace std::chrono_literals;

namespace {

double number(const std::string& text) {
  double value = 0;
  const auto result = std::from_chars(text.data(), text.data() + text.size(), value);
  REQUIRE(result.ec == std::errc());
  return value;
}

std::vector<std::vector<double>> rows(const std::string& file) {
  std::ifstream in(std::string(NIGHTWELL_SOURCE_DIR) + "/tests/sequence/data/" + file);
  REQUIRE(in);
  std::string line;
  std::getline(in, line);  // header
  std::vector<std::vector<double>> out;
  while (std::getline(in, line)) {
    while (!line.empty() && (line.back() == '\r' || line.back() == ' ')) line.pop_back();
    if (line.empty()) continue;
    out.emplace_back();
    std::size_t from = 0;
    while (from <= line.size()) {
      const auto comma = std::min(line.find(',', from), line.size());
      out.back().push_back(number(line.substr(from, comma - from)));
      from = comma + 1;
    }
  }
  return out;
}

// Seconds from the first sample of a setpoint until the rule first says steady, for each setpoint in turn; -1 where it
// never does.
std::vector<double> steady_after_s(const std::vector<LoggedReading>& log, const SettleRule& rule, double band_k) {
  std::vector<double> out;
  for (const auto& plateau : replay_settle(log, rule, 30s, band_k)) {
    for (const auto& held : plateau.held) {
      INFO("setpoint " << plateau.setpoint_c << " at " << held.after_s << " s: " << held.holding);
      CHECK_FALSE(held.holding.empty());  // shows the line above under -s
    }
    out.push_back(plateau.steady_after_s.value_or(-1));
  }
  return out;
}

}  // namespace

TEST_CASE("Peltier staircase: every step of 300 s becomes steady, within a minute or so of its window") {
  std::vector<LoggedReading> samples;
  for (const auto& row : rows("tec_steps_300s_controller.csv"))
    samples.push_back({static_cast<double>(samples.size()) / 4.0, row[0], row[1]});
  const auto steady = steady_after_s(samples, {60s, 0.010, 0.050, std::nullopt}, 0.1);
  // 26 (start), 27 … 36, and back to 26 °C. The step is in the band of 0.05 °C after 12 to 14 s and, on the way back,
  // after 347 s (derived from the same log); the window of 60 s follows.
  const std::vector<double> pinned{60.0, 78.0, 78.5, 81.5, 77.5, 79.5, 80.25, 81.25, 79.75, 85.5, 82.25, 409.5};
  CHECK(steady == pinned);
}

TEST_CASE("Insulated box at 25 °C: steady only after the approach is over") {
  std::vector<LoggedReading> samples;
  const auto log = rows("chamber_soak_25C.csv");
  for (const auto& row : log) samples.push_back({row[0] - log[0][0], 25.0, row[1]});
  const auto tight = steady_after_s(samples, {300s, 0.010, 0.030, std::nullopt}, 0.2);
  const auto loose = steady_after_s(samples, {300s, 0.050, 0.100, std::nullopt}, 0.2);
  REQUIRE(tight.size() == 1);
  CHECK(tight[0] == Approx(482.69));
  CHECK(loose[0] == Approx(382.12));
}

TEST_CASE("Two heaters in steps never rest: the rule must not say steady once they are switched on") {
  std::vector<LoggedReading> samples;
  double last_heater = 0, last_second = 0, plateau = 0;
  for (const auto& row : rows("tclab_two_heater_steps.csv")) {
    if (row[1] != last_heater || row[2] != last_second) plateau += 1;
    last_heater = row[1];
    last_second = row[2];
    samples.push_back({row[0], plateau, row[3]});
  }
  // The band is no test here (there is no setpoint): wide open.
  for (const double s : steady_after_s(samples, {120s, 0.1, 0.5, std::nullopt}, 1e6)) CHECK(s < 0);
}

TEST_CASE("Coarse steps of 0.3 K while heating and cooling: one value read twice is not steady") {
  std::vector<LoggedReading> samples;
  for (const auto& row : rows("tclab_single_step.csv")) samples.push_back({row[0], row[1], row[2] - 273.15});
  // Drive off for 11 s, 150, 10, 150 again, about 200 s each: never at rest.
  CHECK(steady_after_s(samples, {120s, 0.3, 0.7, std::nullopt}, 1e6) == std::vector<double>{-1, -1, -1, -1});
}

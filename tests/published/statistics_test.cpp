// Type A statistics against JCGM 100:2008 annexes H.2 (five readings of three quantities: means and their standard
// uncertainties) and H.3 (a thermometer's calibration line) (data/README.md).
#include "uncertainty/statistics.hpp"

#include <algorithm>
#include <cmath>

#include "published.hpp"

using namespace nightwell;
using namespace nightwell::tests;

TEST_CASE("JCGM 100 H.2: means and their standard uncertainties") {
  const auto examples = json_file("uncertainty_examples.json")["examples"];
  const auto& h2 = examples[1];
  struct Row {
    const char *data, *mean, *u;
    double digit;  // half of the last printed digit of the mean and of u
  };
  for (const Row& row :
       {Row{"V", "V", "V", 5e-5}, Row{"I_mA", "I_mA", "I_mA", 5e-5}, Row{"phi_rad", "phi", "phi", 5e-6}}) {
    const auto values = h2["data"][row.data].get<std::vector<double>>();
    INFO(row.data);
    const auto sample = uncertainty::sample(values);
    CHECK(*sample.mean == Approx(h2["means"][row.mean].get<double>()).margin(row.digit * 1.01));
    CHECK(*sample.standard_deviation_of_mean == Approx(h2["u"][row.u].get<double>()).margin(row.digit * 1.01));
  }
}

TEST_CASE("JCGM 100 H.3: a thermometer's calibration line with its uncertainty") {
  const auto examples = json_file("uncertainty_examples.json")["examples"];
  const auto is_h3 = [](const nlohmann::json& one) { return one["id"] == "GUM H.3 thermometer calibration"; };
  const auto found = std::find_if(examples.begin(), examples.end(), is_h3);
  REQUIRE(found != examples.end());
  const auto& h3 = *found;
  const auto line = uncertainty::least_squares_line(h3["t_k_C"].get<std::vector<double>>(),
                                                    h3["b_k_C"].get<std::vector<double>>(), h3["t0_C"]);
  REQUIRE(line);
  const auto agrees = [&](const char* key, double value, double half_digit) {
    INFO(key);
    CHECK(std::abs(value - h3["published"][key].get<double>()) <= half_digit * 1.01);
    CHECK(value == Approx(h3["derived"][key].get<double>()).epsilon(1e-8));
  };
  agrees("y1", line->intercept, 5e-5);
  agrees("y2", line->slope, 5e-6);
  agrees("u_y1", *line->intercept_standard_deviation, 5e-5);
  agrees("u_y2", *line->slope_standard_deviation, 5e-6);
  agrees("r", line->correlation, 5e-3);
  agrees("s", *line->residual_standard_deviation, 5e-5);
  agrees("b(30)", line->at(30), 5e-5);
  agrees("u_b(30)", *line->standard_deviation_at(30), 5e-5);
  CHECK(line->count - 2 == h3["published"]["dof"].get<std::size_t>());
}

TEST_CASE("A small scatter on a large value keeps its digits") {
  CHECK(*uncertainty::sample_standard_deviation(std::vector<double>{1e6, 1e6 + 1e-4, 1e6 - 1e-4}) ==
        Approx(1e-4).epsilon(1e-5));
}

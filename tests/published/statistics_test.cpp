// Type A statistics against JCGM 100:2008 annex H.2: five readings of three quantities, means and standard
// uncertainties of the means (data/README.md).
#include "uncertainty/statistics.hpp"

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
  for (const Row& row : {Row{"V", "V", "V", 5e-5}, Row{"I_mA", "I_mA", "I_mA", 5e-5}, Row{"phi_rad", "phi", "phi", 5e-6}}) {
    const auto values = h2["data"][row.data].get<std::vector<double>>();
    INFO(row.data);
    CHECK(uncertainty::mean(values) == Approx(h2["means"][row.mean].get<double>()).margin(row.digit * 1.01));
    CHECK(uncertainty::standard_deviation_of_mean(values) == Approx(h2["u"][row.u].get<double>()).margin(row.digit * 1.01));
  }
}

TEST_CASE("A small scatter on a large value keeps its digits") {
  CHECK(uncertainty::sample_standard_deviation(std::vector<double>{1e6, 1e6 + 1e-4, 1e6 - 1e-4}) == Approx(1e-4).epsilon(1e-5));
}

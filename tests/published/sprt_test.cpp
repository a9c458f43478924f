// ITS-90 against its own fixed points and two published calibrations (data/README.md).
#include "thermometry/sprt.hpp"

#include <cmath>

#include "published.hpp"

using namespace nightwell;
using namespace nightwell::thermometry;
using namespace nightwell::tests;

TEST_CASE("The fixed points of ITS-90: 1e-6 in Wr, 0.1 mK in t90") {
  const auto its90 = json_file("sprt_its90.json");
  for (const auto& point : its90["fixed_points"]) {
    const double t_c = point["t90_C"];
    const double wr = number(point["Wr"].get<std::string>());
    INFO(point["substance"] << " at " << t_c << " °C, Wr " << wr);
    CHECK(std::abs(*reference_ratio(t_c) - wr) <= 1e-6);
    CHECK(std::abs(*reference_temperature_c(wr) - t_c) <= 1e-4);
  }
}

TEST_CASE("The solved inverse: round trip within 1e-9 K from 14 K to 1234 K") {
  for (double t_c = -259.3; t_c < 961.7; t_c += 0.37) {
    INFO(t_c);
    REQUIRE(std::abs(*reference_temperature_c(*reference_ratio(t_c)) - t_c) < 1e-9);
  }
}

TEST_CASE("NIST SP 250-81, 0 to 660 °C: the deviation at the measured W") {
  const auto example = json_file("sprt_examples.json")["examples"][0];
  const auto c = [&](const char* key) { return number(example[key].get<std::string>()); };
  const Sprt sprt{25.5, std::nullopt, SprtSubrange{7, {c("a"), c("b"), c("c")}}};
  for (const auto& row : example["rows"]) {
    const double w = *sprt_resistance_ohm(sprt, row["t90_C"]) / 25.5;
    CHECK(w == Approx(row["W_rigorous_derived"].get<double>()).margin(1e-9));
    // The published column is the function at Wr, up to 7.2e-8 (0.02 mK) off.
    CHECK(*deviation(*sprt.above, w) == Approx(row["dW_published"].get<double>()).margin(8e-8));
  }
}

TEST_CASE("A national institute's certificate, 0 to 419 °C: the fixed points within 0.1 mK") {
  const auto example = json_file("sprt_examples.json")["examples"][1];
  const auto c = [&](const char* key) { return number(example[key].get<std::string>()); };
  const Sprt sprt{example["R_tpw_ohm"], std::nullopt, SprtSubrange{8, {c("a"), c("b")}}};
  for (const auto& point : example["points"])
    CHECK(*sprt_temperature_c(sprt, point["R_ohm"]) == Approx(point["t90_C"].get<double>()).margin(1e-4));
}

TEST_CASE("Every subrange goes both ways, and outside it is refused") {
  struct Case {
    int number;
    std::vector<double> coefficients;
    double inside_c, outside_c;
  };
  for (const auto& which : std::vector<Case>{{1, {-1e-4, 1e-5, 1e-7, 1e-8, 1e-9, 1e-9, 1e-9}, -200, 10},
                                             {2, {-1e-4, 1e-5, 1e-7, 1e-8, 1e-9}, -200, 10},
                                             {3, {-1e-4, 1e-5, 1e-7}, -200, 10},
                                             {4, {-1.2e-4, 1e-5}, -150, 10},
                                             {5, {-1.2e-4, 1e-5}, -20, 40},
                                             {6, {-1.6e-4, -8e-6, 2e-6, 1e-6}, 900, 970},
                                             {7, {-1.6e-4, -8e-6, 2e-6}, 500, 700},
                                             {8, {-1.2e-4, -1e-5}, 300, 450},
                                             {9, {-1.2e-4, -1e-5}, 200, 250},
                                             {10, {-1.2e-4}, 100, 200},
                                             {11, {-1.2e-4}, 20, 40}}) {
    INFO("subrange " << which.number);
    Sprt sprt{25.5, std::nullopt, std::nullopt};
    (which.number <= 5 ? sprt.below : sprt.above) = SprtSubrange{which.number, which.coefficients};
    const auto r_ohm = sprt_resistance_ohm(sprt, which.inside_c);
    REQUIRE(r_ohm.ok());
    CHECK(*sprt_temperature_c(sprt, *r_ohm) == Approx(which.inside_c).margin(1e-8));
    CHECK(sprt_resistance_ohm(sprt, which.outside_c).error().code == Errc::out_of_range);
  }
  CHECK(deviation(SprtSubrange{12, {1}}, 1).error().code == Errc::bad_input);
  CHECK(deviation(SprtSubrange{8, {1}}, 1).error().code == Errc::bad_input);
}

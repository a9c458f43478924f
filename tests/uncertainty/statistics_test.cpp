// Type A statistics: what holds for any readings, and what few or equal readings cannot give.
#include "uncertainty/statistics.hpp"

#include <catch2/catch.hpp>
#include <cmath>
#include <vector>

using namespace nightwell::uncertainty;

using Values = std::vector<double>;

TEST_CASE("No number where the readings cannot carry one") {
  CHECK_FALSE(mean(Values{}));
  CHECK_FALSE(sample_standard_deviation(Values{}));
  CHECK_FALSE(sample_standard_deviation(Values{21.5}));
  CHECK(*mean(Values{21.5}) == 21.5);

  const Sample one = sample(Values{21.5});
  CHECK(one.count == 1);
  CHECK(*one.mean == 21.5);
  CHECK_FALSE(one.standard_deviation);
  CHECK_FALSE(one.standard_deviation_of_mean);
}

TEST_CASE("Equal readings scatter by exactly nothing") {
  const Values equal(7, -19.9871);
  CHECK(*mean(equal) == -19.9871);
  CHECK(*sample_standard_deviation(equal) == 0.0);
}

TEST_CASE("A shift moves the mean and leaves the scatter; a scale scales both") {
  const Values readings{0.012, -0.004, 0.007, 0.001, -0.009};
  for (const double shift : {0.0, -20.0, 960.0, 1e6}) {
    Values shifted, doubled;
    for (const double value : readings) {
      shifted.push_back(value + shift);
      doubled.push_back(2 * value);
    }
    INFO(shift);
    CHECK(*mean(shifted) == Approx(shift + *mean(readings)).margin(1e-9));
    CHECK(*sample_standard_deviation(shifted) == Approx(*sample_standard_deviation(readings)).epsilon(1e-7));
    CHECK(*sample_standard_deviation(doubled) == Approx(2 * *sample_standard_deviation(readings)));
  }
}

TEST_CASE("The mean's standard deviation is the readings' over the root of their number") {
  const Sample four = sample(Values{1, 2, 3, 4});
  CHECK(*four.standard_deviation == Approx(std::sqrt(5.0 / 3)));
  CHECK(*four.standard_deviation_of_mean == Approx(std::sqrt(5.0 / 12)));
}

TEST_CASE("A line through points on a line is that line, wherever its origin is put") {
  Values x, y;
  for (int i = 0; i < 9; ++i) {
    x.push_back(1e5 + 5 * i);  // seconds into a run
    y.push_back(120.0 - 2e-4 * x.back());
  }
  for (const double origin : {0.0, 1e5, 2e5}) {
    const auto line = least_squares_line(x, y, origin);
    REQUIRE(line);
    INFO(origin);
    CHECK(line->count == 9);
    CHECK(line->slope == Approx(-2e-4).epsilon(1e-9));
    CHECK(line->at(1e5) == Approx(100.0).epsilon(1e-9));
    CHECK(*line->residual_standard_deviation == Approx(0.0).margin(1e-9));
  }
}

TEST_CASE("Two points make a line without an uncertainty; fewer, unmatched or upright ones make none") {
  const auto line = least_squares_line(Values{0, 10}, Values{20, 21});
  REQUIRE(line);
  CHECK(line->slope == Approx(0.1));
  CHECK_FALSE(line->residual_standard_deviation);
  CHECK_FALSE(line->slope_standard_deviation);
  CHECK_FALSE(line->standard_deviation_at(5));

  CHECK_FALSE(least_squares_line(Values{}, Values{}));
  CHECK_FALSE(least_squares_line(Values{1}, Values{1}));
  CHECK_FALSE(least_squares_line(Values{1, 2, 3}, Values{1, 2}));
  CHECK_FALSE(least_squares_line(Values{4, 4, 4}, Values{1, 2, 3}));
}

TEST_CASE("The line's own uncertainty is least at the middle of its points") {
  const auto line = least_squares_line(Values{0, 1, 2, 3, 4}, Values{0.1, 0.9, 2.2, 2.8, 4.0});
  REQUIRE(line);
  const double middle = *line->standard_deviation_at(2);
  CHECK(middle == Approx(*line->residual_standard_deviation / std::sqrt(5.0)));
  for (const double x : {-1.0, 0.0, 1.5, 2.5, 4.0, 9.0}) CHECK(*line->standard_deviation_at(x) > middle);
}

#include <catch2/catch.hpp>

#include "results/series.hpp"

using nightwell::results::drift;
using nightwell::results::Point;
using nightwell::results::Series;

TEST_CASE("a value lies on the line between its neighbours, whatever order the points came in") {
  const Series series({{10, 2.0}, {0, 1.0}, {20, 5.0}});
  CHECK(series.at(0)->value == 1.0);
  CHECK(series.at(0)->between);
  CHECK(series.at(5)->value == 1.5);
  CHECK(series.at(10)->value == 2.0);
  CHECK(series.at(15)->value == 3.5);
  CHECK(series.at(20)->between);
}

TEST_CASE("outside its ends a series gives the nearest value and says so") {
  const Series series({{0, 1.0}, {10, 2.0}});
  CHECK(series.at(-1)->value == 1.0);
  CHECK_FALSE(series.at(-1)->between);
  CHECK(series.at(11)->value == 2.0);
  CHECK_FALSE(series.at(11)->between);
  CHECK_FALSE(Series().at(0));
}

TEST_CASE("two values at one moment count as their mean") {
  const Series series({{0, 1.0}, {10, 2.0}, {10, 4.0}});
  CHECK(series.points().size() == 2);
  CHECK(series.at(10)->value == 3.0);
  CHECK(series.at(5)->value == 2.0);
}

TEST_CASE("drift is the slope of the least-squares line over the time") {
  CHECK(*drift(Series({{0, 1.0}, {10, 2.0}, {20, 3.0}})) == Approx(2.0));
  // Slope by hand: means 10 and 4/3; (-10)(-1/3) + 0 + 10(-1/3) = 0.
  CHECK(*drift(Series({{0, 1.0}, {10, 2.0}, {20, 1.0}})) == Approx(0.0).margin(1e-12));
  CHECK_FALSE(drift(Series({{0, 1.0}})));
  CHECK_FALSE(drift(Series({{3, 1.0}, {3, 2.0}})));
  CHECK_FALSE(drift(Series()));
}

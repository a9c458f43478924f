// Plots: ticks that people can read, points where they belong, no number that breaks the drawing.

#include <catch2/catch.hpp>
#include <cmath>
#include <limits>

#include "full_night.hpp"
#include "report/plot.hpp"
#include "report/plots.hpp"
#include "support/text.hpp"

using namespace nightwell::report;
using namespace nightwell::report::fixture;
using nightwell::tests::holds;

namespace {

std::size_t many(const std::string& text, const std::string& what) {
  std::size_t count = 0;
  for (std::size_t at = text.find(what); at != std::string::npos; at = text.find(what, at + what.size())) ++count;
  return count;
}

}  // namespace

TEST_CASE("ticks are round, within the range, and told apart by their decimals", "[plot]") {
  for (const Range range : {Range{0, 10}, Range{-0.0031, 0.0044}, Range{-40, 140}, Range{23.1, 23.4}, Range{0, 8.7}}) {
    CAPTURE(range.low, range.high);
    const Ticks found = ticks(range, 6);
    REQUIRE(found.at.size() >= 3);
    CHECK(found.at.size() <= 13);
    const double step = found.at[1] - found.at[0];
    const double mantissa = step / std::pow(10.0, std::floor(std::log10(step * 1.0001)));
    CHECK((mantissa == Approx(1) || mantissa == Approx(2) || mantissa == Approx(5)));
    CHECK(step * std::pow(10.0, found.decimals) >= 0.999);
    for (const double at : found.at) CHECK((at >= range.low - 1e-6 * step && at <= range.high + 1e-6 * step));
  }
}

TEST_CASE("values land between the axes, larger ones higher and further right", "[plot]") {
  const Plot plot(200, {0, 10}, {-1, 1}, "x", "y", "label");
  CHECK(plot.y(1) == Approx(plot.top()));
  CHECK(plot.y(-1) == Approx(plot.bottom()));
  CHECK(plot.x(10) > plot.x(0));
  CHECK(plot.x(5) == Approx((plot.x(0) + plot.x(10)) / 2));
}

TEST_CASE("overloads and missing numbers do not break a drawing", "[plot]") {
  auto course = full_course();
  course.reference[50].value = 9.9e37;
  course.reference[51].value = std::numeric_limits<double>::quiet_NaN();
  const std::string drawing = night_plot(full_results(), course);
  for (const char* broken : {"nan", "inf", "e+"}) CHECK_FALSE(holds(drawing, broken));
}

TEST_CASE("the night's plot draws setpoint, reference and a number for each plateau that closed with readings",
          "[plot]") {
  const std::string drawing = night_plot(full_results(), full_course());
  CHECK(holds(drawing, "setpoint, output on"));
  CHECK(holds(drawing, "time since the opening / h"));
  CHECK(holds(drawing, "temperature / °C"));
  for (const char* number : {">1</text>", ">2</text>", ">3</text>", ">4</text>"}) CHECK(holds(drawing, number));
  // Shades: four windows and four captures, and one of each in the legend.
  CHECK(many(drawing, "<rect") == 10);
  CHECK(many(drawing, "font-size") == 1);
  CHECK(holds(drawing, "font-size=\"9\""));
}

TEST_CASE("a settle window shows its readings, their drift and both limits", "[plot]") {
  const auto course = full_course();
  const std::string drawing = window_plot(course.plateaus[0]);
  CHECK(many(drawing, "<circle") == 31);
  for (const char* entry : {"its drift", "largest drift allowed", "largest spread allowed", "from the mean / mK"})
    CHECK(holds(drawing, entry));
  CHECK(window_plot(course.plateaus[5]).empty());  // never closed
}

TEST_CASE("residuals of a fit stand about zero at their references, with a bar each", "[plot]") {
  auto found = fitted_results();
  // Half a kelvin of one plateau that no curve of this kind follows.
  *found.plateaus[2].items[0].readings.raw_mean += 0.19;
  const auto fit = nightwell::results::fit_channel(found, 1, {});
  REQUIRE(fit.ok());
  const std::string drawing = residual_plot(found, *fit);
  CHECK(holds(drawing, "residual / mK"));
  CHECK(holds(drawing, "reference / °C"));
  CHECK(holds(drawing, "±2 u: scatter and drift"));
  CHECK(many(drawing, "<polygon") == 4 + 2);  // a mark each, and the legend's
  CHECK(many(drawing, "<polyline") == 2);     // the zero line and the frame
}

TEST_CASE("points stand aside only where they would lie over each other", "[plot]") {
  const auto xs = [](const std::string& drawing) {
    std::vector<std::string> out;
    for (std::size_t at = drawing.find("<polygon points=\""); at != std::string::npos;
         at = drawing.find("<polygon points=\"", at + 1)) {
      const std::size_t from = at + 17;
      out.push_back(drawing.substr(from, drawing.find(',', from) - from));
    }
    return out;
  };
  auto found = full_results();
  for (auto& plateau : found.plateaus)
    for (auto& item : plateau.items) item.verdict.reset();  // no tolerance to be drawn as a polygon
  const auto crowded = xs(error_plot(found, 1));            // -25, 15, 60, 15 °C
  REQUIRE(crowded.size() >= 4);
  CHECK(std::stod(crowded[3]) - std::stod(crowded[1]) == Approx(10));
  found.plateaus.erase(found.plateaus.begin() + 3);
  CHECK(std::stod(xs(error_plot(found, 1))[1]) - std::stod(crowded[1]) == Approx(5));
  CHECK(xs(error_plot(found, 1))[0] == crowded[0]);
}

TEST_CASE("an item's errors are told apart by where the plateau was come to from", "[plot]") {
  const auto found = full_results();
  const std::string drawing = error_plot(found, 1);
  CHECK(holds(drawing, "come to from below"));
  CHECK(holds(drawing, ">from above<"));
  CHECK(holds(drawing, ">tolerance<"));
  CHECK(holds(drawing, ">±U<"));
  CHECK(many(drawing, "fill=\"#000\" stroke") == 3);  // two from below, and the legend's
  CHECK(error_plot(found, 0).empty());                // the reference is no item
}

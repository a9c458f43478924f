// A drawing as SVG 1.1 text, to stand inline in a page. Units: points (1/72 inch), y downwards.
//
// Pure; no errors. Coordinates that are not finite are drawn at the nearest edge of +-1e5 points, so that the text is
// well-formed whatever comes in.
#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace nightwell::report {

struct Spot {
  double x = 0, y = 0;
};

struct Stroke {
  double width = 1;
  const char* dash = "";  // as stroke-dasharray; "" is a solid line
  const char* colour = "#000";
};

enum class Anchor { start, middle, end };

// Told apart by shape and filling alone.
enum class Mark { triangle_up, triangle_down, circle, dot };

// On paper this is the size of every text.
inline constexpr double text_points = 9;

class Svg {
 public:
  // `label` says what it shows to whoever does not see it.
  Svg(double width, double height, std::string_view label);

  void line(Spot from, Spot to, const Stroke& stroke = {});
  void polyline(const std::vector<Spot>& spots, const Stroke& stroke = {});
  void polygon(const std::vector<Spot>& spots, const char* fill);
  void rectangle(Spot corner, double width, double height, const char* fill);
  // `spot` is on the base line of the text.
  void text(Spot spot, std::string_view text, Anchor anchor = Anchor::start);
  // Reads from below; `spot` is the middle of its base line.
  void text_upwards(Spot spot, std::string_view text);
  void mark(Mark mark, Spot spot);

  [[nodiscard]] std::string finished() const;

 private:
  std::string body_;
};

// &, <, >, " and ' as entities.
[[nodiscard]] std::string xml_escaped(std::string_view text);

}  // namespace nightwell::report

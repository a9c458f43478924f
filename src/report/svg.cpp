#include "report/svg.hpp"

#include <algorithm>
#include <cmath>

#include "journal/plain_text.hpp"
#include "report/numbers.hpp"

namespace nightwell::report {

namespace {

constexpr double edge = 1e5;

std::string coordinate(double value) {
  if (std::isnan(value)) value = -edge;
  return fixed(std::clamp(value, -edge, edge), 2);
}

std::string attribute(const char* name, const std::string& value) {
  return " " + std::string(name) + "=\"" + value + "\"";
}

std::string stroke_text(const Stroke& stroke) {
  std::string out = attribute("stroke", stroke.colour) + attribute("stroke-width", fixed(stroke.width, 2));
  if (*stroke.dash) out += attribute("stroke-dasharray", stroke.dash);
  return out;
}

std::string points_text(const std::vector<Spot>& spots) {
  std::string out;
  for (const Spot& spot : spots) out += (out.empty() ? "" : " ") + coordinate(spot.x) + "," + coordinate(spot.y);
  return attribute("points", out);
}

const char* anchor_word(Anchor anchor) {
  switch (anchor) {
    case Anchor::start: return "start";
    case Anchor::middle: return "middle";
    case Anchor::end: return "end";
  }
  return "start";
}

}  // namespace

std::string xml_escaped(std::string_view text) {
  std::string out;
  for (const char c : text) {
    switch (c) {
      case '&': out += "&amp;"; break;
      case '<': out += "&lt;"; break;
      case '>': out += "&gt;"; break;
      case '"': out += "&quot;"; break;
      case '\'': out += "&#39;"; break;
      default: out += c;
    }
  }
  return out;
}

Svg::Svg(double width, double height, std::string_view label) {
  const std::string label_text = xml_escaped(journal::printable(label));
  body_ = "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\"" + attribute("aria-label", label_text) +
          attribute("width", fixed(width, 0) + "pt") + attribute("height", fixed(height, 0) + "pt") +
          attribute("viewBox", "0 0 " + fixed(width, 0) + " " + fixed(height, 0)) +
          attribute("font-size", fixed(text_points, 0)) + " font-family=\"sans-serif\">\n";
}

void Svg::line(Spot from, Spot to, const Stroke& stroke) {
  body_ += "<line" + attribute("x1", coordinate(from.x)) + attribute("y1", coordinate(from.y)) +
           attribute("x2", coordinate(to.x)) + attribute("y2", coordinate(to.y)) + stroke_text(stroke) + "/>\n";
}

void Svg::polyline(const std::vector<Spot>& spots, const Stroke& stroke) {
  if (spots.size() < 2) return;
  body_ += "<polyline fill=\"none\" stroke-linejoin=\"round\"" + points_text(spots) + stroke_text(stroke) + "/>\n";
}

void Svg::polygon(const std::vector<Spot>& spots, const char* fill) {
  if (spots.size() < 3) return;
  body_ += "<polygon" + points_text(spots) + attribute("fill", fill) + "/>\n";
}

void Svg::rectangle(Spot corner, double width, double height, const char* fill) {
  body_ += "<rect" + attribute("x", coordinate(corner.x)) + attribute("y", coordinate(corner.y)) +
           attribute("width", coordinate(std::max(0.0, width))) +
           attribute("height", coordinate(std::max(0.0, height))) + attribute("fill", fill) + "/>\n";
}

void Svg::text(Spot spot, std::string_view text, Anchor anchor) {
  body_ += "<text" + attribute("x", coordinate(spot.x)) + attribute("y", coordinate(spot.y)) +
           attribute("text-anchor", anchor_word(anchor)) + ">" + xml_escaped(journal::printable(text)) + "</text>\n";
}

void Svg::text_upwards(Spot spot, std::string_view text) {
  const std::string x = coordinate(spot.x), y = coordinate(spot.y);
  body_ += "<text" + attribute("x", x) + attribute("y", y) + " text-anchor=\"middle\"" +
           attribute("transform", "rotate(-90 " + x + " " + y + ")") + ">" + xml_escaped(journal::printable(text)) +
           "</text>\n";
}

void Svg::mark(Mark mark, Spot spot) {
  constexpr double size = 3.6;
  const Stroke outline{0.9, "", "#000"};
  const auto triangle = [&](double up, const char* fill) {
    body_ += "<polygon" +
             points_text({{spot.x, spot.y - up * size},
                          {spot.x - 0.87 * size, spot.y + up * 0.6 * size},
                          {spot.x + 0.87 * size, spot.y + up * 0.6 * size}}) +
             attribute("fill", fill) + stroke_text(outline) + "/>\n";
  };
  const auto circle = [&](double radius, const char* fill) {
    body_ += "<circle" + attribute("cx", coordinate(spot.x)) + attribute("cy", coordinate(spot.y)) +
             attribute("r", fixed(radius, 2)) + attribute("fill", fill) + stroke_text(outline) + "/>\n";
  };
  switch (mark) {
    case Mark::triangle_up: return triangle(1, "#000");
    case Mark::triangle_down: return triangle(-1, "#fff");
    case Mark::circle: return circle(0.8 * size, "#fff");
    case Mark::dot: return circle(0.8, "#000");
  }
}

std::string Svg::finished() const {
  return body_ + "</svg>";
}

}  // namespace nightwell::report

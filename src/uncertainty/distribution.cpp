#include "uncertainty/distribution.hpp"

#include <cmath>
#include <numbers>
#include <string>

#include "uncertainty/faults.hpp"

namespace nightwell::uncertainty {

const char* name(Shape shape) {
  switch (shape) {
    case Shape::normal: return "normal";
    case Shape::rectangular: return "rectangular";
    case Shape::triangular: return "triangular";
    case Shape::u_shaped: return "u_shaped";
    case Shape::t: return "t";
  }
  return "normal";
}

std::optional<Shape> shape_named(std::string_view word) {
  for (const Shape shape : {Shape::normal, Shape::rectangular, Shape::triangular, Shape::u_shaped, Shape::t})
    if (word == name(shape)) return shape;
  return std::nullopt;
}

Result<Distribution> Distribution::of(Shape shape, double size, double degrees_of_freedom) {
  const std::string doing = std::string("describing a ") + name(shape) + " distribution";
  const char* what = shape == Shape::normal ? "its standard uncertainty"
                     : shape == Shape::t    ? "its scale"
                                            : "its half-width";
  if (const auto ok = check_size(doing, what, size); !ok) return ok.error();
  if (const auto ok = check_degrees_of_freedom(doing, degrees_of_freedom); !ok) return ok.error();
  if (shape == Shape::t && !(degrees_of_freedom > 2 && std::isfinite(degrees_of_freedom)))
    return bad_input(doing,
                     "the degrees of freedom are " + number(degrees_of_freedom) +
                         "; a t has a standard uncertainty only above 2 (four readings): use a normal with these "
                         "degrees of freedom, or more readings");
  return Distribution(shape, size, degrees_of_freedom);
}

Result<Distribution> Distribution::normal(double standard_uncertainty, double degrees_of_freedom) {
  return of(Shape::normal, standard_uncertainty, degrees_of_freedom);
}
Result<Distribution> Distribution::rectangular(double half_width, double degrees_of_freedom) {
  return of(Shape::rectangular, half_width, degrees_of_freedom);
}
Result<Distribution> Distribution::triangular(double half_width, double degrees_of_freedom) {
  return of(Shape::triangular, half_width, degrees_of_freedom);
}
Result<Distribution> Distribution::u_shaped(double half_width, double degrees_of_freedom) {
  return of(Shape::u_shaped, half_width, degrees_of_freedom);
}
Result<Distribution> Distribution::t(double scale, double degrees_of_freedom) {
  return of(Shape::t, scale, degrees_of_freedom);
}

double Distribution::standard_uncertainty() const {
  switch (shape_) {
    case Shape::normal: return size_;
    case Shape::rectangular: return size_ / std::numbers::sqrt3;
    case Shape::triangular: return size_ / std::sqrt(6.0);
    case Shape::u_shaped: return size_ / std::numbers::sqrt2;
    case Shape::t: return size_ * std::sqrt(degrees_of_freedom_ / (degrees_of_freedom_ - 2));
  }
  return size_;
}

double Distribution::degrees_of_freedom_of_uncertainty() const {
  return shape_ == Shape::t ? infinite_degrees_of_freedom : degrees_of_freedom_;
}

Result<double> Distribution::quantile(double probability) const {
  const auto standard_normal = normal_quantile(probability);  // checks the probability for every shape
  if (!standard_normal) return standard_normal.error();
  switch (shape_) {
    case Shape::normal: return size_ * *standard_normal;
    case Shape::rectangular: return size_ * (2 * probability - 1);
    case Shape::triangular:
      return probability < 0.5 ? size_ * (std::sqrt(2 * probability) - 1)
                               : size_ * (1 - std::sqrt(2 * (1 - probability)));
    case Shape::u_shaped: return size_ * std::sin(std::numbers::pi * (probability - 0.5));
    case Shape::t: {
      const auto standard_t = t_quantile(probability, degrees_of_freedom_);
      if (!standard_t) return standard_t.error();
      return size_ * *standard_t;
    }
  }
  return size_ * *standard_normal;
}

}  // namespace nightwell::uncertainty

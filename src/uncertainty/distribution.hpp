// What is known about one input of a measurement, as a probability distribution about its estimate: the estimate
// itself is kept elsewhere, a Distribution is centred on zero.
//
// A distribution is in the unit of the quantity; its size is 0 or above (0: known exactly).
//
//   shape        size is                      standard uncertainty       source
//   normal       standard uncertainty u       u                          GUM 4.2 (type A), 4.3.3 (a certificate's U/k)
//   rectangular  half-width a                 a / sqrt(3)                GUM 4.3.7; JCGM 101:2008 6.4.2
//   triangular   half-width a                 a / sqrt(6)                GUM 4.3.9; JCGM 101 6.4.5
//   u_shaped     half-width a (arcsine)       a / sqrt(2)                GUM H.1.3.4; JCGM 101 6.4.6
//   t            scale s (s/sqrt(n), n - 1)   s sqrt(v / (v - 2))        JCGM 101 6.4.9.4, degrees of freedom v above 2
//
// Few readings go into a GUM budget as `normal` with u = s/sqrt(n) and n - 1 degrees of freedom, and widen the
// interval through Welch-Satterthwaite. `t` is the supplement's way (JCGM 101 6.4.9): the distribution itself is
// wider, so its standard uncertainty is s sqrt(v / (v - 2)) and exactly that; Welch-Satterthwaite counts it with
// infinite degrees of freedom, or the few readings would be counted twice. Monte Carlo draws what the shape says: a
// `normal` with few degrees of freedom is drawn as a normal.
//
// Errors of the makers: bad_input (size below 0 or not finite; degrees of freedom below 1, of a t not above 2 or
// infinite).
#pragma once

#include <optional>
#include <string_view>

#include "nightwell/result.hpp"
#include "uncertainty/coverage.hpp"

namespace nightwell::uncertainty {

enum class Shape { normal, rectangular, triangular, u_shaped, t };

// The word for a shape in files and reports (the enumerator's own name), and back.
[[nodiscard]] const char* name(Shape shape);
[[nodiscard]] std::optional<Shape> shape_named(std::string_view word);

class Distribution {
 public:
  // Exactly known: a normal of standard uncertainty 0.
  Distribution() = default;

  // Degrees of freedom of a limit say how well the limit itself is known (GUM G.4.2, equation G.3); infinite: exactly.
  static Result<Distribution> normal(double standard_uncertainty,
                                     double degrees_of_freedom = infinite_degrees_of_freedom);
  static Result<Distribution> rectangular(double half_width, double degrees_of_freedom = infinite_degrees_of_freedom);
  static Result<Distribution> triangular(double half_width, double degrees_of_freedom = infinite_degrees_of_freedom);
  static Result<Distribution> u_shaped(double half_width, double degrees_of_freedom = infinite_degrees_of_freedom);
  static Result<Distribution> t(double scale, double degrees_of_freedom);
  // By the shape's word, as a file gives it.
  static Result<Distribution> of(Shape shape, double size, double degrees_of_freedom);

  [[nodiscard]] Shape shape() const { return shape_; }
  [[nodiscard]] double size() const { return size_; }
  [[nodiscard]] double standard_uncertainty() const;
  // As given.
  [[nodiscard]] double degrees_of_freedom() const { return degrees_of_freedom_; }
  // As Welch-Satterthwaite counts them: infinite for a t, else as given.
  [[nodiscard]] double degrees_of_freedom_of_uncertainty() const;

  // The value that is not exceeded with the probability. Error: bad_input (probability not between 0 and 1).
  [[nodiscard]] Result<double> quantile(double probability) const;

 private:
  Distribution(Shape shape, double size, double degrees_of_freedom)
      : shape_(shape), size_(size), degrees_of_freedom_(degrees_of_freedom) {}

  Shape shape_ = Shape::normal;
  double size_ = 0;
  double degrees_of_freedom_ = infinite_degrees_of_freedom;
};

}  // namespace nightwell::uncertainty

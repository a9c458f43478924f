// Limits of deviation: how far a sensor may be from its reference function, in kelvin, at a temperature.
//
// A limit is the half-width of the allowed band: a deviation of -limit to +limit is inside. Temperatures t90 in °C; the
// range of a class includes both ends and has no slack: ask at the nominal temperature of a plateau where the plateau
// lies at an end and the reference read a little beyond it.
// Formulas: thermocouples the larger of a constant and a fraction of |t| (IEC 60584-1 class 1 of R and S: 1 K up to
// 1100 °C, then 1 K + 0.003 (t - 1100 °C)); platinum a constant plus a fraction of |t|.
// Errors: out_of_range (the class is not defined at that temperature; t not a number), bad_input (the standard has no such
// class for the thermocouple type, a word that is not known, an own limit that is negative, zero or not finite).
// Sources: IEC 60584-1:2013 and ASTM E230/E230M (rows mostly from memory: compare with the standards' print before relying
// on one for a certificate; types A and C from memory only; T and E special below 0 °C hold by agreement with the maker),
// IEC 60751:2022 tables 1 and 2 for thermometers, ASTM E1137 (its range from memory). Check values: tests/published.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <variant>

#include "nightwell/result.hpp"
#include "nightwell/thermometry/sensor.hpp"

namespace nightwell::thermometry {

enum class Iec60584Class { one, two, three };
enum class AstmE230Grade { standard, special };
enum class Iec60751Class { aa, a, b, c };
enum class AstmE1137Grade { a, b };
enum class PlatinumBuild { wire_wound, film };

struct Iec60584Tolerance {
  Iec60584Class grade = Iec60584Class::two;
  ThermocoupleType type = ThermocoupleType::k;
};
struct AstmE230Tolerance {
  AstmE230Grade grade = AstmE230Grade::standard;
  ThermocoupleType type = ThermocoupleType::k;
};
// Thermometers, not bare resistors; the build decides the range only.
struct Iec60751Tolerance {
  Iec60751Class grade = Iec60751Class::b;
  PlatinumBuild build = PlatinumBuild::wire_wound;
};
struct AstmE1137Tolerance {
  AstmE1137Grade grade = AstmE1137Grade::b;
};
// A customer's own: constant_k + fraction_of_t |t|, at every temperature.
struct OwnTolerance {
  double constant_k = 0;
  double fraction_of_t = 0;  // kelvin per °C of |t|
};

using Tolerance =
    std::variant<Iec60584Tolerance, AstmE230Tolerance, Iec60751Tolerance, AstmE1137Tolerance, OwnTolerance>;

// The limit at t_c, above 0.
[[nodiscard]] Result<double> limit_k(const Tolerance& tolerance, double t_c);

// Where the class holds; an own tolerance from absolute zero up. bad_input as above.
[[nodiscard]] Result<TemperatureSpan> span(const Tolerance& tolerance);

// "IEC 60584-1 class 1, type K"; "IEC 60751 class A, wire-wound"; "own limit, 0.5 K + 0.002 |t|".
[[nodiscard]] std::string name(const Tolerance& tolerance);

// The words that stand in files for a tolerance of a standard:
//   standard       class                 needs
//   "IEC 60584-1"  "1", "2", "3"         the sensor's thermocouple type
//   "ASTM E230"    "standard", "special" the sensor's thermocouple type
//   "IEC 60751"    "AA", "A", "B", "C"   a build: "wire_wound" or "film"
//   "ASTM E1137"   "A", "B"              nothing
// An own tolerance has no words, only its two numbers: words() gives nullopt.
struct ToleranceWords {
  std::string standard, grade;
  std::string build;  // empty where the standard does not ask
};
[[nodiscard]] std::optional<ToleranceWords> words(const Tolerance& tolerance);

// From words to a tolerance that exists: limit_k() of it fails outside its span only. `type` is the sensor's, where it is
// a thermocouple.
[[nodiscard]] Result<Tolerance> tolerance(const ToleranceWords& words, std::optional<ThermocoupleType> type);

}  // namespace nightwell::thermometry

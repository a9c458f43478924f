#include "thermometry/tolerance.hpp"

#include <algorithm>
#include <cmath>
#include <span>
#include <utility>

#include "thermometry/faults.hpp"
#include "thermometry/tolerance_tables.hpp"

namespace nightwell::thermometry {

namespace {

constexpr double absolute_zero_c = -273.15;

constexpr std::array<std::pair<std::string_view, Iec60584Class>, 3> iec_60584_words{
    {{"1", Iec60584Class::one}, {"2", Iec60584Class::two}, {"3", Iec60584Class::three}}};
constexpr std::array<std::pair<std::string_view, AstmE230Grade>, 2> astm_e230_words{
    {{"standard", AstmE230Grade::standard}, {"special", AstmE230Grade::special}}};
constexpr std::array<std::pair<std::string_view, Iec60751Class>, 4> iec_60751_words{
    {{"AA", Iec60751Class::aa}, {"A", Iec60751Class::a}, {"B", Iec60751Class::b}, {"C", Iec60751Class::c}}};
constexpr std::array<std::pair<std::string_view, AstmE1137Grade>, 2> astm_e1137_words{
    {{"A", AstmE1137Grade::a}, {"B", AstmE1137Grade::b}}};
constexpr std::array<std::pair<std::string_view, PlatinumBuild>, 2> build_words{
    {{"wire_wound", PlatinumBuild::wire_wound}, {"film", PlatinumBuild::film}}};

constexpr std::string_view iec_60584_name = "IEC 60584-1", astm_e230_name = "ASTM E230";
constexpr std::string_view iec_60751_name = "IEC 60751", astm_e1137_name = "ASTM E1137";

template <class Table, class Value>
std::string word_of(const Table& table, Value value) {
  for (const auto& [word, known] : table)
    if (known == value) return std::string(word);
  return "?";
}

// The value of a word, or an error that lists those there are.
template <class Value, std::size_t n>
Result<Value> value_of(const std::array<std::pair<std::string_view, Value>, n>& table, std::string_view word,
                       std::string doing) {
  std::string all;
  for (const auto& [known, value] : table) {
    if (known == word) return value;
    all += (all.empty() ? "\"" : ", \"") + std::string(known) + "\"";
  }
  return Error{Errc::bad_input, std::move(doing), "\"" + std::string(word) + "\" is not one of " + all, ""};
}

// All that a tolerance is once its table row is found; limits of thermocouples are a maximum, the others a sum.
struct Band {
  double constant_k = 0, fraction = 0, offset_k = 0;
  bool larger_of = false;
  TemperatureSpan span_c;

  [[nodiscard]] double at(double t_c) const {
    const double grown_k = offset_k + fraction * std::abs(t_c);
    return larger_of ? std::max(constant_k, grown_k) : constant_k + grown_k;
  }
};

// The rows of one class for a type: two where it has another formula below 0 °C, in order of temperature.
template <class Table, class Tolerated>
Result<std::pair<Band, Band>> thermocouple_bands(const Table& table, const Tolerated& tolerance,
                                                 const std::string& doing) {
  std::optional<std::pair<Band, Band>> out;
  for (const auto& row : table) {
    if (row.grade != tolerance.grade || row.types.find(letter(tolerance.type)) == std::string_view::npos) continue;
    const Band band{row.floor_k, row.fraction, row.offset_k, true, row.span_c};
    out = out ? std::pair(out->first, band) : std::pair(band, band);
  }
  if (out) return *out;
  return Error{Errc::bad_input, doing,
               std::string("the standard has no such class for type ") + letter(tolerance.type) +
                   "; name another class, or limits of your own",
               ""};
}

using Bands = std::pair<Band, Band>;
Bands both(const Band& band) {
  return {band, band};
}

template <class Row>
Bands platinum_bands(const Row& row, PlatinumBuild build) {
  return both({row.constant_k, row.fraction, 0, false, build == PlatinumBuild::film ? row.film_c : row.wire_wound_c});
}

struct ToBands {
  std::string doing;

  Result<Bands> operator()(const Iec60584Tolerance& t) const { return thermocouple_bands(tables::iec_60584, t, doing); }
  Result<Bands> operator()(const AstmE230Tolerance& t) const { return thermocouple_bands(tables::astm_e230, t, doing); }
  Result<Bands> operator()(const Iec60751Tolerance& t) const {
    return platinum_bands(tables::iec_60751[static_cast<std::size_t>(t.grade)], t.build);
  }
  Result<Bands> operator()(const AstmE1137Tolerance& t) const {
    return platinum_bands(tables::astm_e1137[static_cast<std::size_t>(t.grade)], PlatinumBuild::wire_wound);
  }
  Result<Bands> operator()(const OwnTolerance& t) const {
    const bool sound = t.constant_k >= 0 && t.fraction_of_t >= 0 && std::isfinite(t.constant_k + t.fraction_of_t) &&
                       t.constant_k + t.fraction_of_t > 0;
    if (sound) return both({t.constant_k, t.fraction_of_t, 0, false, {absolute_zero_c, HUGE_VAL}});
    return Error{Errc::bad_input, doing, "both numbers must be 0 or more, and one of them above 0", ""};
  }
};

Result<Bands> bands(const Tolerance& tolerance) {
  return std::visit(ToBands{name(tolerance)}, tolerance);
}

struct ToName {
  std::string operator()(const Iec60584Tolerance& t) const {
    return std::string(iec_60584_name) + " class " + word_of(iec_60584_words, t.grade) + ", type " + letter(t.type);
  }
  std::string operator()(const AstmE230Tolerance& t) const {
    return std::string(astm_e230_name) + " " + word_of(astm_e230_words, t.grade) + " tolerance, type " + letter(t.type);
  }
  std::string operator()(const Iec60751Tolerance& t) const {
    return std::string(iec_60751_name) + " class " + word_of(iec_60751_words, t.grade) +
           (t.build == PlatinumBuild::film ? ", film" : ", wire-wound");
  }
  std::string operator()(const AstmE1137Tolerance& t) const {
    return std::string(astm_e1137_name) + " grade " + word_of(astm_e1137_words, t.grade);
  }
  std::string operator()(const OwnTolerance& t) const {
    const std::string constant = "own limit, " + number(t.constant_k) + " K";
    return t.fraction_of_t == 0 ? constant : constant + " + " + number(t.fraction_of_t) + " |t|";
  }
};

struct ToWords {
  using Out = std::optional<ToleranceWords>;
  Out operator()(const Iec60584Tolerance& t) const {
    return ToleranceWords{std::string(iec_60584_name), word_of(iec_60584_words, t.grade), ""};
  }
  Out operator()(const AstmE230Tolerance& t) const {
    return ToleranceWords{std::string(astm_e230_name), word_of(astm_e230_words, t.grade), ""};
  }
  Out operator()(const Iec60751Tolerance& t) const {
    return ToleranceWords{std::string(iec_60751_name), word_of(iec_60751_words, t.grade),
                          word_of(build_words, t.build)};
  }
  Out operator()(const AstmE1137Tolerance& t) const {
    return ToleranceWords{std::string(astm_e1137_name), word_of(astm_e1137_words, t.grade), ""};
  }
  Out operator()(const OwnTolerance&) const { return std::nullopt; }
};

// A thermocouple class that exists for the sensor's type.
template <class Tolerated, class Table>
Result<Tolerance> for_type(const Table& grades, const ToleranceWords& words, std::optional<ThermocoupleType> type) {
  const std::string doing = "tolerance " + words.standard;
  const auto grade = value_of(grades, words.grade, doing);
  if (!grade) return grade.error();
  if (!type) return Error{Errc::bad_input, doing, "it is for thermocouples, and the sensor is none", ""};
  const Tolerance out = Tolerated{*grade, *type};
  if (const auto exists = bands(out); !exists) return exists.error();
  return out;
}

}  // namespace

Result<double> limit_k(const Tolerance& tolerance, double t_c) {
  const auto found = bands(tolerance);
  if (!found) return found.error();
  const auto& [below, above] = *found;
  if (!(t_c >= below.span_c.low_c && t_c <= above.span_c.high_c && std::isfinite(t_c)))
    return beyond(name(tolerance), t_c, below.span_c.low_c, above.span_c.high_c, "°C");
  return t_c < above.span_c.low_c ? below.at(t_c) : above.at(t_c);
}

Result<TemperatureSpan> span(const Tolerance& tolerance) {
  const auto found = bands(tolerance);
  if (!found) return found.error();
  return TemperatureSpan{found->first.span_c.low_c, found->second.span_c.high_c};
}

std::string name(const Tolerance& tolerance) {
  return std::visit(ToName{}, tolerance);
}

std::optional<ToleranceWords> words(const Tolerance& tolerance) {
  return std::visit(ToWords{}, tolerance);
}

Result<Tolerance> tolerance(const ToleranceWords& words, std::optional<ThermocoupleType> type) {
  if (words.standard == iec_60584_name) return for_type<Iec60584Tolerance>(iec_60584_words, words, type);
  if (words.standard == astm_e230_name) return for_type<AstmE230Tolerance>(astm_e230_words, words, type);
  const std::string doing = "tolerance " + words.standard;
  if (words.standard != iec_60751_name && words.standard != astm_e1137_name)
    return Error{Errc::bad_input, doing,
                 R"(the standard is not one of "IEC 60584-1", "ASTM E230", "IEC 60751", "ASTM E1137")", ""};
  if (type) return Error{Errc::bad_input, doing, "it is for platinum, and the sensor is a thermocouple", ""};
  if (words.standard == astm_e1137_name) {
    const auto grade = value_of(astm_e1137_words, words.grade, doing);
    if (!grade) return grade.error();
    return Tolerance{AstmE1137Tolerance{*grade}};
  }
  const auto grade = value_of(iec_60751_words, words.grade, doing);
  if (!grade) return grade.error();
  const auto build = value_of(build_words, words.build, doing + ", build");
  if (!build) return build.error();
  return Tolerance{Iec60751Tolerance{*grade, *build}};
}

}  // namespace nightwell::thermometry

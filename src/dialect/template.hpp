// Templates of commands and replies: filled in, and matched against lines.
//
// A template is read from left to right and never goes back: every part either takes its bytes or the line does not
// match. So matching is linear in the line (times the number of declared words of a field). A number takes the longest
// text that is one, a word its longest run, a text everything up to the first byte of what follows it.
//
// Text of a template: bytes as they are, {name} for a field, {{ and }} for braces, \xNN for a byte by its hexadecimal
// number, \\ for a backslash. Errors: see each function. Everything is pure; lines are untrusted.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "dialect/dialect.hpp"
#include "nightwell/result.hpp"

namespace nightwell::dialect {

// The text as parts; fields by their place in `fields`. bad_input: the detail says what is wrong ("no field \"t\" …").
[[nodiscard]] Result<Template> parse_template(std::string_view text, const std::vector<Field>& fields);
// What a template of replies must not have, because it could be read in two ways; empty: nothing.
[[nodiscard]] std::string ambiguity(const Template& pattern, const std::vector<Field>& fields);

// What a field took of a line. A number that the instrument says it has none of is the condition instead.
struct Taken {
  std::size_t field = 0;
  std::string_view text;
  std::optional<Errc> condition;
};
struct Match {
  std::vector<Taken> taken;
  [[nodiscard]] const Taken* of(std::size_t field) const;
};

// `channel`: what a channel field must say; empty: any run of letters and digits. `begins`: what follows the template
// after a line's end does not matter. nullopt: no match.
[[nodiscard]] std::optional<Match> match(const Template& pattern, std::string_view line,
                                         const std::vector<Field>& fields, bool comma, std::string_view channel,
                                         bool begins = false);

// What stands in a command: numbers formatted by us, and a channel's declared text.
struct Values {
  std::optional<double> number;  // in the base unit of the field's own
  std::string_view channel;
};
// bad_input: the number is not finite, beyond 1e9 in the field's unit, or wider than the field; or a value is missing.
[[nodiscard]] Result<std::string> fill_in(const Template& pattern, const std::vector<Field>& fields, bool comma,
                                          const Values& values);

// The number of a field's text in the base unit: its decimal sign, factor, offset and unit applied. `unit` where a unit
// field said it. overload, open_sensor, garbled: as parse_scpi_number.
[[nodiscard]] Result<double> number_of(std::string_view text, const NumberField& field, bool comma,
                                       std::optional<Unit> unit);
// The text of a number in a command.
[[nodiscard]] Result<std::string> number_text(double base, const NumberField& field, bool comma);

}  // namespace nightwell::dialect

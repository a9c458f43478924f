// The JSON that journals are made of: RFC 8259, and stricter where a record of evidence must not be read in
// two ways.
//
// Both functions want one JSON value and nothing else, in printable ASCII without white space between tokens,
// nested at most 16 deep, escapes complete and surrogates in pairs. `parse` also refuses an object with the
// same key twice and a number that does not come back the same when it is printed again (beyond a double's
// range or digits). Linear in the length of the text, whatever it holds (n log n for objects of very many
// keys).
#pragma once

#include <cstddef>
#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>
#include <string_view>

namespace nightwell::journal::strict_json {

inline constexpr int deepest = 16;

struct Fault {
  std::size_t at = 0;  // byte of the text
  std::string what;
};

// Grammar only; builds nothing.
[[nodiscard]] std::optional<Fault> check(std::string_view text);

// `out` is unspecified where a Fault comes back.
[[nodiscard]] std::optional<Fault> parse(std::string_view text, nlohmann::ordered_json& out);

// Appends `value` in the one form that a journal has: printable ASCII, shortest numbers that read back
// exactly, whole doubles with ".0". Text that is not UTF-8 becomes U+FFFD and two hex digits a byte. Gives
// what is wrong where a number is not finite, the nesting too deep, two keys become the same, or a value is
// binary.
[[nodiscard]] std::optional<std::string> append(std::string& out, const nlohmann::ordered_json& value, int depth = 1);

// Appends `text` as a JSON string with its quotes. False where a byte had to be replaced.
bool append_text(std::string& out, std::string_view text);

}  // namespace nightwell::journal::strict_json

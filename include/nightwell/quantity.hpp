// What a channel measures and its SI unit: the raw quantity that journals keep.
#pragma once

#include <optional>
#include <string_view>

namespace nightwell {

enum class Quantity {
  voltage,      // volt, DC
  resistance,   // ohm, 4-wire
  current,      // ampere, DC
  temperature,  // °C, worked out by the instrument
};

// The word in bench files and journals: "voltage", "resistance", "current", "temperature".
[[nodiscard]] constexpr std::string_view name(Quantity quantity) {
  switch (quantity) {
    case Quantity::voltage: return "voltage";
    case Quantity::resistance: return "resistance";
    case Quantity::current: return "current";
    case Quantity::temperature: return "temperature";
  }
  return "";
}

// The unit suffix of names and columns: "v", "ohm", "a", "c".
[[nodiscard]] constexpr std::string_view unit_suffix(Quantity quantity) {
  switch (quantity) {
    case Quantity::voltage: return "v";
    case Quantity::resistance: return "ohm";
    case Quantity::current: return "a";
    case Quantity::temperature: return "c";
  }
  return "";
}

[[nodiscard]] constexpr std::optional<Quantity> quantity(std::string_view word) {
  for (Quantity q : {Quantity::voltage, Quantity::resistance, Quantity::current, Quantity::temperature})
    if (name(q) == word) return q;
  return std::nullopt;
}

}  // namespace nightwell

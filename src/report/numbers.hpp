// Numbers as text, the same in every locale.
#pragma once

#include <optional>
#include <string>

#include "nightwell/quantity.hpp"

namespace nightwell::report {

// With so many decimals; "-" for a missing value. A value that rounds to zero has no sign.
[[nodiscard]] std::string fixed(std::optional<double> value, int decimals);

// The shortest text that reads back as the same double; "" for a missing value.
[[nodiscard]] std::string exact(std::optional<double> value);
void append_exact(std::string& out, std::optional<double> value);

// For people: 1.69385 mV, 100.39051 ohm, 4.00000 mA, 21.4000 °C. "-" for a missing value.
[[nodiscard]] std::string raw_text(std::optional<double> raw, Quantity quantity);

// "1 reading", "2 readings".
[[nodiscard]] std::string counted(std::size_t count, const std::string& thing);

}  // namespace nightwell::report

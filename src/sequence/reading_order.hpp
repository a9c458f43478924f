// In which order a sweep visits the channels.
//
// The result lists channel indices of Plan::channels; a channel may stand several times. Where the channels
// sit on several scanners, each scanner keeps this order among its own and the scanners read in parallel.
// Source: symmetric order S, X1 … Xn, Xn … X1, S so that a linear drift cancels: ASTM E220, EURAMET cg-8
// (from memory); two references S1, X …, S2, S2, X …, S1: EA-4/02 example S5 (from memory).
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

#include "sequence/plan.hpp"

namespace nightwell::sequence {

// The references and the junction channels that they need.
[[nodiscard]] std::vector<std::size_t> reference_visits(const Plan& plan);

// Junctions, references and items in the order asked; junctions open the sweep and, in mirrored and bracketed
// orders, close it as well.
[[nodiscard]] std::vector<std::size_t> visits(const Plan& plan, ReadingOrder order);

// The names under which the opening record lists the orders: "references", "straight", "mirrored", "bracketed".
[[nodiscard]] std::string_view name(ReadingOrder order);
inline constexpr std::string_view references_order = "references";

}  // namespace nightwell::sequence

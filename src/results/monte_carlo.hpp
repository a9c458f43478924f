// An item's budget by the Monte Carlo method: JCGM 101:2008 clauses 7 and 8.
//
// The same lines as the GUM budget, but each trial converts the disturbed raw values with the sensors' own models, so that
// curvature counts; kelvin lines are added. Errors: bad_input (no budget, options that cannot be), out_of_range (a trial leaves
// a model's range: the item sits at the end of it).
#pragma once

#include <cstdint>
#include <vector>

#include "nightwell/result.hpp"
#include "results/results.hpp"
#include "uncertainty/agreement.hpp"
#include "uncertainty/monte_carlo.hpp"

namespace nightwell::results {

struct MonteCarloCheck {
  uncertainty::MonteCarloResult found;  // of the error, K
  uncertainty::Agreement agreement;     // of the GUM interval with the symmetric one
};

// `digits`: significant digits of u that the two must agree in, 1 or 2.
[[nodiscard]] Result<MonteCarloCheck> monte_carlo(const Results& results, const Plateau& plateau, const Item& item,
                                                  std::uint64_t seed, int digits);

// Every item of every plateau, in their order, shared among so many threads (at least 1). Each check has random numbers of its
// own, so the same seed gives the same bits for any number of threads.
[[nodiscard]] std::vector<Result<MonteCarloCheck>> monte_carlo_of_all(const Results& results, std::uint64_t seed,
                                                                      int digits, unsigned threads);

}  // namespace nightwell::results

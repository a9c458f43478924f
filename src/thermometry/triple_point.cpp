#include "thermometry/triple_point.hpp"

#include <cmath>

#include "thermometry/faults.hpp"
#include "thermometry/sprt.hpp"
#include "thermometry/sprt_tables.hpp"

namespace nightwell::thermometry {

Result<TriplePointCheck> triple_point_check(const Sprt& card, double u_card_ohm, const MeasuredResistance& measured) {
  constexpr const char* checking = "check at the triple point of water";
  const auto resistance = [](double r_ohm) { return r_ohm > 0 && std::isfinite(r_ohm); };
  const auto uncertainty = [](double u_ohm) { return u_ohm >= 0 && std::isfinite(u_ohm); };
  if (!resistance(card.r_tpw_ohm) || !resistance(measured.r_ohm))
    return Error{Errc::bad_input, checking,
                 "the card's " + number(card.r_tpw_ohm) + " ohm and the measured " + number(measured.r_ohm) +
                     " ohm must both be above 0",
                 ""};
  if (!uncertainty(u_card_ohm) || !uncertainty(measured.u_ohm))
    return Error{Errc::bad_input, checking, "an uncertainty is negative or not a number", ""};
  // The slope of the reference function: a deviation changes it by a part in 10 000.
  const Sprt reference{card.r_tpw_ohm, std::nullopt, SprtSubrange{11, {0}}};
  const auto slope = sprt_slope_ohm_per_k(reference, tables::triple_point_c);
  if (!slope) return slope.error();
  constexpr double mk_per_k = 1e3;
  return TriplePointCheck{(measured.r_ohm - card.r_tpw_ohm) / *slope * mk_per_k,
                          std::hypot(u_card_ohm, measured.u_ohm) / *slope * mk_per_k};
}

}  // namespace nightwell::thermometry

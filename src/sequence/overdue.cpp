#include "sequence/overdue.hpp"

#include "sequence/estimate.hpp"

namespace nightwell::sequence {

namespace {

bool waits_for_a_person(const Run& run) {
  return std::holds_alternative<Waiting>(run.state) || std::holds_alternative<Held>(run.state);
}

// Of this phase; what was said of an earlier one does not count.
int times_said(const Run& run, const OverdueSaid& said) {
  return said.phase_since == run.phase_since ? said.times : 0;
}

std::string minutes_text(Duration length) {
  return std::to_string(std::chrono::duration_cast<std::chrono::minutes>(length).count()) + " min";
}

std::string overdue_text(const Overdue& late) {
  if (late.phase == Phase::waiting) return "nobody has answered for " + minutes_text(late.lasted);
  if (late.phase == Phase::held) return "held for " + minutes_text(late.lasted) + ", and nobody has resumed it";
  return std::string(name(late.phase)) + " has lasted " + minutes_text(late.lasted) + "; " +
         minutes_text(*late.expected) + " were expected";
}

}  // namespace

std::optional<Instant> overdue_at(const Plan& plan, const Run& run, const OverdueSaid& said) {
  const int times = times_said(run, said);
  if (waits_for_a_person(run)) return run.phase_since + overdue_person + times * overdue_person_again;
  const auto expected = expected_phase(plan, run);
  if (!expected || times > 0) return std::nullopt;
  return run.phase_since + overdue_times_expected * *expected + overdue_allowance;
}

std::optional<Overdue> overdue(const Plan& plan, const Run& run, OverdueSaid& said, Instant now) {
  const auto at = overdue_at(plan, run, said);
  if (!at || now < *at) return std::nullopt;
  const int times = times_said(run, said);
  said = {run.phase_since, times + 1};
  // Hours that nobody looked at are not said one by one.
  while (waits_for_a_person(run) && *overdue_at(plan, run, said) <= now) ++said.times;
  Overdue late{phase(run), plateau(run), now - run.phase_since, expected_phase(plan, run), ""};
  late.text = overdue_text(late);
  return late;
}

}  // namespace nightwell::sequence

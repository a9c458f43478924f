#include "report/numbers.hpp"
#include "report/report.hpp"
#include "report/seal_words.hpp"

namespace nightwell::report {

namespace {

using results::Plateau;
using results::Results;

std::string because(const std::string& why) {
  return why.empty() ? "" : ": " + why;
}
// By its number too: an up-and-down series comes to a setpoint twice.
template <typename AnyPlateau>
std::string called(const AnyPlateau& plateau) {
  return "plateau " + std::to_string(plateau.index + 1) + " (" + exact(plateau.setpoint_c) + " °C)";
}

void about_the_run(const Results& results, std::vector<std::string>& out) {
  if (!results.ending)
    out.push_back("The journal is " + std::string(not_closed) + ": these are the plateaus that had closed by then.");
  else if (*results.ending != "finished")
    out.push_back("The run did not finish; it was " + *results.ending + because(results.ending_why) + ".");
  if (results.verification.torn)
    out.push_back("The journal's last line is torn (" + counted(results.verification.torn->bytes.size(), "byte") +
                  " behind the last whole line are left out), as a crash leaves it.");
  if (results.speed != 1)
    out.push_back("Time ran at " + exact(results.speed) + " times its speed: this is no measurement of real sensors.");
  for (const auto& serial : results.accepted_overdue)
    out.push_back("The reference " + serial + " was past its due date, and was accepted by request.");
  for (const auto& plateau : results.unclosed)
    out.push_back("The run has not closed " + called(plateau) + ": no results.");
}

void about(const Plateau& plateau, const Results& results, std::vector<std::string>& out) {
  if (plateau.outcome == "not_settled")
    out.push_back("At " + called(plateau) + " the settle rule was not met" + because(plateau.why) + ".");
  if (plateau.outcome == "skipped") out.push_back("The run skipped " + called(plateau) + because(plateau.why) + ".");
  if (plateau.sweeps == 0) return;
  for (const std::size_t channel : plateau.reference.missing)
    out.push_back("At " + called(plateau) + " the reference " + results.channels[channel].name +
                  " gave no temperature: no errors are worked out.");
}

}  // namespace

std::vector<std::string> cautions(const Results& results) {
  std::vector<std::string> out;
  about_the_run(results, out);
  for (const Plateau& plateau : results.plateaus) about(plateau, results, out);
  return out;
}

}  // namespace nightwell::report

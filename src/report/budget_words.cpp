#include "report/budget_words.hpp"

namespace nightwell::report {

std::string shared_words(const results::BudgetLine& line, const results::Results& results) {
  if (line.entries.size() < 2) return "";
  std::string channels;
  for (const results::Entry& entry : line.entries)
    channels += (channels.empty() ? "" : ", ") + results.channels[entry.channel].name;
  return "one error in " + channels;
}

}  // namespace nightwell::report

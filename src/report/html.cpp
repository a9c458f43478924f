#include "report/html.hpp"

#include "report/method.hpp"
#include "report/numbers.hpp"
#include "report/page_data.hpp"
#include "report/report.hpp"
#include "report/seal_words.hpp"
#include "report/template.hpp"

namespace nightwell::report {

namespace {

using results::Course;
using results::Results;

void put_facts(PageData& page, const char* key, const std::vector<std::pair<std::string, std::string>>& facts) {
  std::vector<PageData> entries;
  for (const auto& [fact, value] : facts) {
    PageData entry;
    put(entry, "name", fact);
    put(entry, "value", or_dash(value));
    entries.push_back(entry);
  }
  put_list(page, key, entries);
}

std::string ending_words(const Results& results) {
  if (!results.ending) return not_closed;
  return *results.ending + (results.ending_why.empty() ? "" : ": " + results.ending_why);
}

// "2026-11-25T20:15:00.000000Z" as 2026-11-25 20:15:00 UTC; anything else as it is.
std::string date_words(const std::string& utc) {
  if (utc.size() < 20 || utc[10] != 'T' || utc.back() != 'Z') return utc;
  return utc.substr(0, 10) + " " + utc.substr(11, 8) + " UTC";
}

// Two versions may be at work: the one that measured and the one that makes this page.
std::string program_words(const Results& results) {
  return results.program_name + " " + results.program_version + " on " + results.host + "; this record by nightwell " +
         NIGHTWELL_VERSION;
}

PageData page_data(const Results& results, const Course& course) {
  PageData page;
  put(page, "run", results.run);
  put(page, "head", results.verification.head);
  put(page, "seal", seal_words(results.verification));
  put(page, "program", results.program_name + " " + results.program_version);
  put_texts(page, "cautions", cautions(results));
  put_facts(page, "facts",
            {{"Run (unique identification)", results.run},
             {"Customer reference", results.customer_reference},
             {"Job", results.job},
             {"Measured from", date_words(results.opened_utc) + " to " + date_words(results.last_utc)},
             {"Ending", ending_words(results)},
             {"Profile, bench", results.profile + ", " + results.bench},
             {"Program", program_words(results)}});
  put_texts(page, "decision", decision(results));
  put_items(page, results);
  put_fits(page, results);
  put_budgets(page, results);
  put_night(page, results, course);
  const auto& journal = results.verification;
  put_facts(page, "journal_facts",
            {{"Lines", std::to_string(journal.lines)},
             {"Bytes of whole lines", std::to_string(journal.bytes)},
             {"Torn bytes behind them", std::to_string(journal.torn ? journal.torn->bytes.size() : 0)}});
  return page;
}

}  // namespace

Result<std::string> html(const Results& results, const Course& course) {
  const auto wrong = [](const std::string& what) { return Error{Errc::unexpected, "making the page", what, ""}; };
  kainjow::mustache::mustache page{std::string(page_template())};
  if (!page.is_valid()) return wrong(page.error_message());
  PageData data = page_data(results, course);
  std::string out = page.render(data);
  if (!page.is_valid()) return wrong(page.error_message());
  return out;
}

}  // namespace nightwell::report

#include "plan/loader.hpp"

#include <nlohmann/json.hpp>
#include <set>

#include "journal/sha256.hpp"
#include "plan/budget_json.hpp"
#include "plan/dates.hpp"
#include "plan/dialect_files.hpp"
#include "plan/document.hpp"
#include "plan/resolve.hpp"

namespace nightwell::plan {

namespace {

constexpr const char* profile_format = "nightwell-profile/1";
constexpr const char* bench_format = "nightwell-bench/1";
constexpr const char* job_format = "nightwell-job/1";
constexpr const char* card_format = "nightwell-card/1";
constexpr std::size_t longest_budget = 48 * 1024;  // as JSON without blanks: it is one line of the journal

// Whether the rest of a document is worth reading. A file that says it is another kind of file gets that one fault: all
// its keys would be unknown.
bool judge_format(const Json& document, const std::string& file, const char* format, FaultList& faults) {
  if (!document.is_object()) return true;  // the reader says so
  const Place place = Place{file, ""} / "format";
  const auto found = document.find("format");
  if (found == document.end()) {
    faults.add(place, "nothing", in_quotes(format));
    return true;
  }
  if (*found == format) return true;
  bool other = false;
  for (const char* known : {profile_format, bench_format, job_format, card_format, budget_format})
    other = other || *found == known;
  faults.add(place, shown(*found), in_quotes(format), other ? "is this the right file in this place?" : "");
  return !other;
}

std::optional<Json> parse(const FileText& file, const char* format, FaultList& faults) {
  auto document = parse_document(file, deepest_nesting, faults);
  if (!document || !judge_format(*document, file.name, format, faults)) return std::nullopt;
  return document;
}

// A file that the job names and that is JSON of that format; that it could not be read is a fault of the line that names it.
std::optional<Json> named_file(const InputFiles& files, const std::string& path, const Place& place, const char* format,
                               const char* what, FaultList& faults) {
  const auto found = files.cards.find(path);
  if (found == files.cards.end() || !found->second.unread.empty()) {
    const std::string why = found == files.cards.end() ? "it did not come with the job" : found->second.unread;
    faults.add(place, in_quotes(path), std::string(what) + " that can be read, relative to the job file", why);
    return std::nullopt;
  }
  FileText file = found->second;
  file.name = path;
  return parse(file, format, faults);
}

void read_cards(const InputFiles& files, Drafts& drafts, FaultList& faults) {
  if (!drafts.job) return;
  std::set<std::string> seen;
  for (const UseDraft& use : drafts.job->uses) {
    if (!use.card || !seen.insert(*use.card).second) continue;
    const auto document = named_file(files, *use.card, use.place / "card", card_format, "a sensor card", faults);
    if (document) drafts.cards.emplace(*use.card, read_card(*document, *use.card, faults));
  }
}

void read_budget_file(const InputFiles& files, Drafts& drafts, FaultList& faults) {
  if (!drafts.job || !drafts.job->budget) return;
  const std::string& path = *drafts.job->budget;
  const auto document = named_file(files, path, drafts.job->budget_at, budget_format, "an uncertainty budget", faults);
  if (!document) return;
  ObjectReader reader(*document, {path, ""}, faults);
  drafts.budget = read_budget(reader);
  const std::size_t length = budget_json(*drafts.budget).dump().size();
  if (length > longest_budget)
    faults.add({path, ""}, std::to_string(length) + " characters without blanks",
               "at most " + std::to_string(longest_budget), "it goes into the journal as one record");
}

Drafts read_all(const InputFiles& files, const LoadOptions& options, FaultList& faults) {
  Drafts drafts;
  DialectFiles dialects(files, faults);
  if (const auto document = parse(files.profile, profile_format, faults))
    drafts.profile = read_profile(*document, files.profile.name, faults);
  if (const auto document = parse(files.bench, bench_format, faults))
    drafts.bench =
        read_bench(*document, files.bench.name, files.bench_directory, options, dialects, files.programs, faults);
  if (const auto document = parse(files.job, job_format, faults))
    drafts.job = read_job(*document, files.job.name, faults);
  read_cards(files, drafts, faults);
  read_budget_file(files, drafts, faults);
  if (drafts.bench) drafts.bench->dialects.clear();  // they end here
  return drafts;
}

// What the plan was made of. A file that bears the name of another file is listed with the word in front.
std::map<std::string, std::string> digests(const InputFiles& files, const Drafts& drafts) {
  journal::Sha256 sha256;
  std::map<std::string, std::string> out;
  const auto add = [&](const std::string& name, const char* kind, const std::string& text) {
    const std::string digest(journal::view(sha256.hex(text)));
    if (!out.emplace(name, digest).second) out.emplace(std::string(kind) + " " + name, digest);
  };
  add(files.profile.name, "profile", files.profile.text);
  add(files.bench.name, "bench", files.bench.text);
  add(files.job.name, "job", files.job.text);
  for (const auto& [path, card] : drafts.cards) add(path, "card", files.cards.at(path).text);
  for (const auto& [path, dialect] : files.dialects) add(path, "dialect", dialect.text);
  for (const auto& [path, program] : files.programs)
    if (!out.emplace(path, program.sha256).second) out.emplace("program " + path, program.sha256);
  if (drafts.job->budget) add(*drafts.job->budget, "budget", files.cards.at(*drafts.job->budget).text);
  return out;
}

}  // namespace

LoadResult load(const InputFiles& files, const LoadOptions& options) {
  FaultList faults(most_faults);
  if (!is_date(options.today))
    faults.add({"", ""}, "today " + in_quotes(options.today), "a date of the calendar, \"YYYY-MM-DD\"",
               "due dates cannot be checked");
  const Drafts drafts = read_all(files, options, faults);
  std::vector<std::string> accepted;
  check_together(drafts, options, faults, accepted);
  if (!faults.empty()) return std::move(faults).take();
  sequence::Plan plan = make_plan(drafts);
  plan.accepted_overdue = std::move(accepted);
  plan.files = digests(files, drafts);
  if (drafts.budget) plan.budget = budget_json(*drafts.budget).dump();
  return plan;
}

BenchResult load_bench(const InputFiles& files, const LoadOptions& options) {
  FaultList faults(most_faults);
  DialectFiles dialects(files, faults);
  BenchInstruments out;
  if (const auto document = parse(files.bench, bench_format, faults)) {
    const BenchDraft bench =
        read_bench(*document, files.bench.name, files.bench_directory, options, dialects, files.programs, faults);
    for (const auto& [name, scanner] : bench.scanners) out.scanners.push_back(scanner);
    for (const auto& [name, source] : bench.sources) out.sources.push_back(source.value);
    for (const auto& [name, channel] : bench.channels)
      if (channel.scanner && channel.address && channel.measures)
        out.channels.push_back({*channel.scanner, *channel.address, *channel.measures});
  }
  if (!faults.empty()) return std::move(faults).take();
  return out;
}

CardResult load_card(const FileText& file) {
  FaultList faults(most_faults);
  CardDraft draft;
  if (const auto document = parse(file, card_format, faults)) draft = read_card(*document, file.name, faults);
  if (!faults.empty()) return std::move(faults).take();
  return std::move(draft.value);
}

}  // namespace nightwell::plan

#include "plan/loader.hpp"

#include <nlohmann/json.hpp>
#include <set>

#include "journal/sha256.hpp"
#include "plan/dates.hpp"
#include "plan/document.hpp"
#include "plan/resolve.hpp"

namespace nightwell::plan {

namespace {

constexpr const char* profile_format = "nightwell-profile/1";
constexpr const char* bench_format = "nightwell-bench/1";
constexpr const char* job_format = "nightwell-job/1";
constexpr const char* card_format = "nightwell-card/1";

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
  for (const char* known : {profile_format, bench_format, job_format, card_format}) other = other || *found == known;
  faults.add(place, shown(*found), in_quotes(format), other ? "is this the right file in this place?" : "");
  return !other;
}

std::optional<Json> parse(const FileText& file, const char* format, FaultList& faults) {
  auto document = parse_document(file, deepest_nesting, faults);
  if (!document || !judge_format(*document, file.name, format, faults)) return std::nullopt;
  return document;
}

// A card that could not be read is a fault of the job's line that names it.
void read_cards(const InputFiles& files, Drafts& drafts, FaultList& faults) {
  if (!drafts.job) return;
  std::set<std::string> seen;
  for (const UseDraft& use : drafts.job->uses) {
    if (!use.card || !seen.insert(*use.card).second) continue;
    const auto found = files.cards.find(*use.card);
    if (found == files.cards.end() || !found->second.unread.empty()) {
      const std::string why = found == files.cards.end() ? "it did not come with the job" : found->second.unread;
      faults.add(use.place / "card", in_quotes(*use.card), "a sensor card that can be read, relative to the job file",
                 why);
      continue;
    }
    FileText file = found->second;
    file.name = *use.card;
    if (const auto document = parse(file, card_format, faults))
      drafts.cards.emplace(*use.card, read_card(*document, file.name, faults));
  }
}

Drafts read_all(const InputFiles& files, const LoadOptions& options, FaultList& faults) {
  Drafts drafts;
  if (const auto document = parse(files.profile, profile_format, faults))
    drafts.profile = read_profile(*document, files.profile.name, faults);
  if (const auto document = parse(files.bench, bench_format, faults))
    drafts.bench = read_bench(*document, files.bench.name, files.bench_directory, options, faults);
  if (const auto document = parse(files.job, job_format, faults))
    drafts.job = read_job(*document, files.job.name, faults);
  read_cards(files, drafts, faults);
  return drafts;
}

// What the plan was made of. A card that bears the name of another file is listed with the word in front.
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
  return plan;
}

CardResult load_card(const FileText& file) {
  FaultList faults(most_faults);
  CardDraft draft;
  if (const auto document = parse(file, card_format, faults)) draft = read_card(*document, file.name, faults);
  if (!faults.empty()) return std::move(faults).take();
  return std::move(draft.value);
}

}  // namespace nightwell::plan

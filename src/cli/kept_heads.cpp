#include "cli/kept_heads.hpp"

#include <algorithm>
#include <vector>

#include "cli/wording.hpp"
#include "journal/file.hpp"
#include "journal/reader.hpp"

namespace nightwell::cli {
namespace {

constexpr const char* reading_heads = "reading kept heads";

struct KeptHeads {
  std::vector<remote::Head> heads;
  bool unfinished = false;
};

Result<KeptHeads> read_heads(std::filesystem::path path) {
  std::error_code error;
  if (std::filesystem::is_directory(path, error)) path /= "heads.ndjson";
  auto file = journal::open_for_reading(path);
  if (!file) return Error{file.error().code, reading_heads, file.error().detail, path.string()};
  journal::Lines lines(std::move(file).value(), path);
  KeptHeads out;
  for (std::uint64_t number = 1;; ++number) {
    const auto line = lines.next();
    if (!line) return line.error();
    if (!*line) break;
    const auto parsed = remote::parse_line((*line)->text);
    const auto* head = parsed ? std::get_if<remote::Head>(&*parsed) : nullptr;
    if (head == nullptr)
      return Error{Errc::bad_input, reading_heads, "line " + std::to_string(number) + " is no head", path.string()};
    out.heads.push_back(*head);
  }
  out.unfinished = !lines.rest().empty();
  if (out.heads.empty()) return Error{Errc::bad_input, reading_heads, "there is none in it", path.string()};
  std::stable_sort(out.heads.begin(), out.heads.end(),
                   [](const remote::Head& a, const remote::Head& b) { return a.n < b.n; });
  return out;
}

std::string text_of_head(const remote::Head& head) {
  return "record " + std::to_string(head.n) + " (told " + utc_text(head.utc) + ", hash " + head.hash + ")";
}

}  // namespace

Result<HeadsJudgement> judge_heads(const std::filesystem::path& journal, const std::filesystem::path& heads) {
  const auto kept = read_heads(heads);
  if (!kept) return kept.error();
  HeadsJudgement out;
  out.heads = kept->heads.size();
  out.unfinished = kept->unfinished;
  auto next = kept->heads.begin();
  journal::Follower follower(journal);
  for (;;) {
    const auto lines = follower.next();
    if (!lines) return lines.error();
    if (lines->empty()) break;
    for (const auto& line : *lines) {
      const std::uint64_t n = out.records++;
      if (next == kept->heads.end() || next->n != n) continue;
      const std::string hash = journal::sha256_hex(line);
      for (; next != kept->heads.end() && next->n == n; ++next) {
        const bool fits = next->hash == hash;
        if (fits) ++out.found;
        (fits ? out.last_found : out.different) = fits || !out.different ? *next : *out.different;
      }
    }
  }
  if (next != kept->heads.end()) out.missing = *next;
  return out;
}

std::string heads_text(const HeadsJudgement& judgement) {
  std::string out = std::to_string(judgement.found) + " of " + std::to_string(judgement.heads) + " found";
  if (judgement.last_found) out += ", the last is " + text_of_head(*judgement.last_found);
  if (judgement.different)
    out += "; WRITTEN ANEW: another record stands in the place of " + text_of_head(*judgement.different);
  if (judgement.missing)
    out += "; CUT: the journal has " + std::to_string(judgement.records) + " records, and not " +
           text_of_head(*judgement.missing) + " (cut off, or lost with its computer's last second in a power cut)";
  if (judgement.unfinished) out += "; an unfinished line at the end of the heads was passed by";
  return out;
}

}  // namespace nightwell::cli

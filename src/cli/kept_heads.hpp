// The heads that a follower kept (heads.ndjson, docs/relay.md) against a journal: was it cut, or written anew, since they were sent?
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>

#include "nightwell/result.hpp"
#include "remote/protocol.hpp"

namespace nightwell::cli {

struct HeadsJudgement {
  std::uint64_t found = 0, heads = 0;      // of the heads, how many are the journal's
  std::uint64_t records = 0;               // of the journal
  std::optional<remote::Head> last_found;  // the highest
  std::optional<remote::Head> missing;     // the lowest that is beyond the journal's end
  std::optional<remote::Head> different;   // the lowest whose record has another hash
  bool unfinished = false;                 // the file ends in an unfinished line, which was passed by

  [[nodiscard]] bool fit() const { return found == heads; }
};

// `heads`: the file, or the folder it is in. Errors: not_found, storage, bad_input (a line that is no head: which one; none at all),
// damaged (the journal).
Result<HeadsJudgement> judge_heads(const std::filesystem::path& journal, const std::filesystem::path& heads);

[[nodiscard]] std::string heads_text(const HeadsJudgement& judgement);

}  // namespace nightwell::cli

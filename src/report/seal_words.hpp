// Who closed a journal, in words.
#pragma once

#include <string>

#include "journal/reader.hpp"

namespace nightwell::report {

// Of a journal without a closing record. From the file alone nobody can tell a run that goes on from one that died.
inline constexpr const char* not_closed = "not closed: its run goes on, or ended without closing";

[[nodiscard]] inline std::string seal_words(const journal::Verification& journal) {
  if (journal.seal && journal.seal->key) return "signed (Ed25519) with the key " + *journal.seal->key;
  if (journal.seal) return "closed, and signed by nobody";
  if (!journal.closed) return "none: the journal is not closed";
  return journal.has_seals ? "missing: it was cut off, or never written" : "none: this format has no seals";
}

}  // namespace nightwell::report

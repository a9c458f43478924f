// Prints a journal's records as `tail` does: which ones, and how. Fed every line from the first one on, since the opening records
// hold the names; knows when the journal is closed.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "journal/record_words.hpp"
#include "nightwell/result.hpp"

namespace nightwell::cli {

struct RecordChoice {
  std::uint64_t since = 0;
  std::vector<std::string> kinds;  // empty: all
  bool raw = false;                // the exact bytes
  bool local = false;              // times in the local zone
};

class RecordPrinter {
 public:
  explicit RecordPrinter(RecordChoice choice)
      : choice_(std::move(choice)),
        text_(choice_.local ? journal::RecordWords::Times::local : journal::RecordWords::Times::utc) {}

  // A line without LF. Errors: damaged.
  Result<void> print(std::string_view line);
  [[nodiscard]] bool closed() const { return closed_; }

 private:
  [[nodiscard]] bool chosen(const journal::Record& record) const;

  RecordChoice choice_;
  journal::RecordWords text_;
  bool has_seal_ = false, closed_ = false;
};

}  // namespace nightwell::cli

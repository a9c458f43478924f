#include "cli/record_printer.hpp"

#include <algorithm>

#include "cli/context.hpp"
#include "journal/reader.hpp"

namespace nightwell::cli {

bool RecordPrinter::chosen(const journal::Record& record) const {
  const auto& kinds = choice_.kinds;
  return record.n >= choice_.since &&
         (kinds.empty() || std::find(kinds.begin(), kinds.end(), record.kind) != kinds.end());
}

Result<void> RecordPrinter::print(std::string_view line) {
  const auto record = journal::parse_line(line);
  if (!record) return record.error();
  if (record->kind == "opening") has_seal_ = record->body.value("format", "") != "nightwell-journal/1";
  closed_ = record->kind == (has_seal_ ? "seal" : "closing");
  // Every record is read, also those that are not shown.
  const std::string text = text_.line(*record);
  if (!chosen(*record)) return {};
  say(choice_.raw ? line : std::string_view(text));
  say("\n");
  return {};
}

}  // namespace nightwell::cli

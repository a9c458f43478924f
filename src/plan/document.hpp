// A file's text as JSON (RFC 8259), or the faults that keep it from being that.
#pragma once

#include <optional>
#include <string>

#include "plan/file_text.hpp"
#include "plan/object_reader.hpp"

namespace nightwell::plan {

// nullopt where the file was not read, is larger than `largest_file`, is no JSON (the fault says line and column), or
// is nested deeper than `deepest` levels. A key that stands twice in an object is a fault as well, but leaves a value:
// the first one counts. Numbers beyond a double's range are no JSON here. Linear in the length of the text.
[[nodiscard]] std::optional<Json> parse_document(const FileText& file, int deepest, FaultList& faults);

}  // namespace nightwell::plan

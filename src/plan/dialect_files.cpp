#include "plan/dialect_files.hpp"

#include <nlohmann/json.hpp>

#include "dialect/read_dialect.hpp"
#include "plan/document.hpp"
#include "plan/loader.hpp"

namespace nightwell::plan {

const LoadedDialect* DialectFiles::load(const std::string& path, const Place& place) {
  auto found = loaded_.find(path);
  if (found == loaded_.end()) found = loaded_.emplace(path, read(path, place)).first;
  return found->second ? &*found->second : nullptr;
}

std::optional<LoadedDialect> DialectFiles::read(const std::string& path, const Place& place) {
  const auto found = files_.dialects.find(path);
  if (found == files_.dialects.end() || !found->second.unread.empty()) {
    faults_.add(place, in_quotes(path), "a dialect file that can be read, relative to the bench file",
                found == files_.dialects.end() ? "it did not come with the bench" : found->second.unread);
    return std::nullopt;
  }
  FileText file = found->second;
  file.name = path;
  const std::size_t before = faults_.size();
  const auto document = parse_document(file, deepest_nesting, faults_);
  if (!document) return std::nullopt;
  const auto format = document->is_object() ? document->find("format") : document->end();
  if (document->is_object() && (format == document->end() || *format != dialect::dialect_format)) {
    faults_.add(Place{path, ""} / "format", format == document->end() ? "nothing" : shown(*format),
                in_quotes(dialect::dialect_format));
    if (format != document->end()) return std::nullopt;
  }
  LoadedDialect out;
  out.value = std::make_shared<dialect::Dialect>(dialect::read_dialect(*document, path, faults_));
  out.json = document->dump(-1, ' ', true);
  // A list that is full takes no more: then nothing is sound.
  if (faults_.size() != before || faults_.full()) return std::nullopt;
  return out;
}

}  // namespace nightwell::plan

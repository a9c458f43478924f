#include "cli/driver_files.hpp"

#include <nlohmann/json.hpp>
#include <system_error>

#include "dialect/read_dialect.hpp"
#include "journal/reader.hpp"
#include "plan/document.hpp"
#include "plan/file_text.hpp"
#include "plan/loader.hpp"

namespace nightwell::cli {
namespace {

namespace fs = std::filesystem;

fs::path own_folder() {
  std::error_code problem;
  return fs::read_symlink("/proc/self/exe", problem).parent_path();
}

}  // namespace

fs::path guardian_program() {
  return own_folder() / "nightwell-guardian";
}

fs::path shipped_dialects() {
  const fs::path own = own_folder();
  std::error_code ignored;
  for (const fs::path& folder : {own.parent_path() / "share/nightwell/dialects",
                                 own / "../../../drivers/dialects"})  // installed; build/PRESET/bin
    if (fs::is_directory(folder, ignored)) return folder.lexically_normal();
  return {};
}

fs::path dialect_path(const std::string& name) {
  std::error_code ignored;
  if (name.find('/') != std::string::npos || name.ends_with(".json") || fs::exists(name, ignored)) return name;
  const fs::path shipped = shipped_dialects();
  return shipped.empty() ? fs::path(name) : shipped / (name + ".json");
}

DialectRead read_dialect_file(const fs::path& path) {
  plan::FaultList faults(plan::most_faults);
  const plan::FileText file = plan::gather_one(path);
  const auto document = plan::parse_document(file, plan::deepest_nesting, faults);
  if (!document) return std::move(faults).take();
  const plan::Place place = plan::Place{file.name, ""} / "format";
  const auto format = document->is_object() ? document->find("format") : document->end();
  if (!document->is_object() || format == document->end() || *format != dialect::dialect_format)
    faults.add(place, document->is_object() && format != document->end() ? plan::shown(*format) : "nothing",
               plan::in_quotes(dialect::dialect_format));
  DialectFile out;
  out.path = path;
  out.text = file.text;
  out.sha256 = journal::sha256_hex(file.text);
  out.json = document->dump(-1, ' ', true);
  out.value = std::make_shared<const dialect::Dialect>(dialect::read_dialect(*document, file.name, faults));
  if (!faults.empty()) return std::move(faults).take();
  return out;
}

}  // namespace nightwell::cli

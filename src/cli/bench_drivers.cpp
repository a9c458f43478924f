#include "cli/bench_drivers.hpp"

#include <nlohmann/json.hpp>
#include <utility>

#include "cli/driver_files.hpp"
#include "plan/document.hpp"
#include "plan/file_text.hpp"
#include "plan/loader.hpp"
#include "plan/program_files.hpp"

namespace nightwell::cli {
namespace {

namespace fs = std::filesystem;

// The path under a key; empty: there is none.
std::string path_in(const plan::Json& object, const char* key) {
  const auto found = object.find(key);  // of what is no object: none
  return found != object.end() && found->is_string() ? found->get<std::string>() : "";
}

void look_at_name(const instrument::Registry& registry, BenchDriver& out) {
  const bool known = out.role == dialect::Role::scanner ? registry.scanners.contains(out.driver)
                                                        : registry.sources.contains(out.driver);
  if (!known || out.driver == instrument::dialect_driver || out.driver == instrument::program_driver)
    out.trouble = "no driver of this program is called so";
}

void look_at_dialect(const fs::path& path, BenchDriver& out) {
  out.driver = "dialect";
  out.file = path.string();
  const auto read = read_dialect_file(path);
  if (const auto* faults = std::get_if<std::vector<plan::Fault>>(&read)) {
    out.faults = *faults;
    out.trouble = faults->size() == 1 ? "1 fault" : std::to_string(faults->size()) + " faults";
    return;
  }
  const dialect::Dialect& dialect = *std::get<DialectFile>(read).value;
  out.driver = dialect.name + ", revision " + std::to_string(dialect.revision);
  if (dialect.role != out.role)
    out.trouble = dialect.role == dialect::Role::scanner ? "it is for a scanner" : "it is for a heat source";
}

void look_at_program(const fs::path& folder, const std::string& name, BenchDriver& out) {
  const plan::ProgramFile file = plan::read_program(folder, name);
  out.driver = "program";
  out.file = file.path;
  out.trouble = file.unread;
}

void look_at(const plan::Json& driver, const fs::path& folder, const instrument::Registry& registry, BenchDriver& out) {
  if (driver.is_string()) {
    out.driver = driver.get<std::string>();
    look_at_name(registry, out);
  } else if (const std::string dialect = path_in(driver, "dialect"); !dialect.empty()) {
    look_at_dialect(folder / dialect, out);
  } else if (const std::string program = path_in(driver, "program"); !program.empty()) {
    look_at_program(folder, program, out);
  } else {
    out.trouble = "a driver is a name, {\"dialect\": PATH} or {\"program\": PATH}";
  }
}

bool is_attended(const plan::Json& instrument) {
  const auto found = instrument.find("attended");
  return found != instrument.end() && *found == true;
}

}  // namespace

std::variant<std::vector<BenchDriver>, std::vector<plan::Fault>> bench_drivers(const fs::path& bench,
                                                                               const instrument::Registry& registry) {
  plan::FaultList faults(plan::most_faults);
  const plan::FileText file = plan::gather_one(bench);
  const auto document = plan::parse_document(file, plan::deepest_nesting, faults);
  if (document && !document->is_object()) faults.add(plan::Place{file.name, ""}, "no object", "a bench");
  if (!faults.empty()) return std::move(faults).take();
  std::vector<BenchDriver> out;
  for (const auto& [key, role] :
       {std::pair{"scanners", dialect::Role::scanner}, {"sources", dialect::Role::heat_source}}) {
    const auto instruments = document->find(key);
    if (instruments == document->end() || !instruments->is_object()) continue;
    for (const auto& [name, instrument] : instruments->items()) {
      if (is_attended(instrument)) continue;
      out.push_back(BenchDriver{name, role, "", "", "", {}});
      look_at(instrument.is_object() ? instrument.value("driver", plan::Json()) : plan::Json(), bench.parent_path(),
              registry, out.back());
    }
  }
  return out;
}

}  // namespace nightwell::cli

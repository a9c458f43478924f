#include "plan/input_files.hpp"

#include <nlohmann/json.hpp>
#include <set>
#include <system_error>

#include "journal/plain_text.hpp"
#include "journal/utf8.hpp"
#include "plan/document.hpp"
#include "plan/loader.hpp"

namespace nightwell::plan {

namespace {

namespace fs = std::filesystem;
using Ordered = nlohmann::ordered_json;

void add_path(const Json& object, const char* key, std::set<std::string>& paths) {
  const auto path = object.find(key);
  if (path != object.end() && path->is_string() && !path->get_ref<const std::string&>().empty())
    paths.insert(path->get<std::string>());
}

// The paths of the files that a job names, as far as it is sound; what is wrong in it is the loader's business.
std::set<std::string> named_paths(const FileText& job) {
  std::set<std::string> out;
  FaultList ignored(1);
  const auto document = parse_document(job, deepest_nesting, ignored);
  if (!document || !document->is_object()) return out;
  add_path(*document, "budget", out);
  for (const char* key : {"references", "items", "junctions"}) {
    const auto list = document->find(key);
    if (list == document->end() || !list->is_array()) continue;
    for (const Json& use : *list) {
      if (!use.is_object() || out.size() >= most_cards) continue;
      add_path(use, "card", out);
    }
  }
  return out;
}

// The same of a bench: what the drivers of its instruments name under `kind`.
std::set<std::string> named_by_drivers(const FileText& bench, const char* kind, std::size_t most) {
  std::set<std::string> out;
  FaultList ignored(1);
  const auto document = parse_document(bench, deepest_nesting, ignored);
  if (!document || !document->is_object()) return out;
  for (const char* key : {"scanners", "sources"}) {
    const auto list = document->find(key);
    if (list == document->end() || !list->is_object()) continue;
    for (const Json& instrument : *list) {
      if (!instrument.is_object() || out.size() >= most) continue;
      const auto driver = instrument.find("driver");
      if (driver != instrument.end() && driver->is_object()) add_path(*driver, kind, out);
    }
  }
  return out;
}

// ---- JSON ----

bool is_utf8(std::string_view text) {
  while (!text.empty()) {
    const auto step = journal::first_character(text);
    if (!step.valid) return false;
    text.remove_prefix(step.length);
  }
  return true;
}

Ordered file_json(const FileText& file) {
  Ordered out = {{"name", journal::printable(file.name)}};
  if (!file.unread.empty())
    out["unread"] = journal::printable(file.unread);
  else if (!is_utf8(file.text))
    out["unread"] = "it is not UTF-8";
  else
    out["text"] = file.text;
  return out;
}

Error bad(const std::string& detail) {
  return {Errc::bad_input, "reading the files of a request", detail, ""};
}

std::string printed(const std::string& text) {
  return "\"" + text.substr(0, 60) + "\"";
}

// One file's object: name, and one of text and unread.
template <class AnyJson>
Result<FileText> file_from(const AnyJson& json, const std::string& key) {
  if (!json.is_object()) return bad(key + " must be an object");
  FileText file;
  int texts = 0;
  for (const auto& [name, value] : json.items()) {
    if (!value.is_string()) return bad(key + "/" + printed(name) + " must be a text");
    std::string& place = name == "name" ? file.name : name == "text" ? file.text : file.unread;
    if (name != "name" && name != "text" && name != "unread") return bad(key + " has the unknown key " + printed(name));
    if (name != "name") ++texts;
    place = value.template get<std::string>();
  }
  if (file.name.empty()) return bad(key + "/name is missing");
  if (texts != 1) return bad(key + " must have one of text and unread");
  if (file.text.size() > largest_file + 65536)
    return bad(key + "/text is longer than " + std::to_string(largest_file) + " bytes");
  return file;
}

template <class AnyJson>
Result<void> named_from(const AnyJson& json, const std::string& key, const char* what, std::size_t most,
                        std::map<std::string, FileText>& out) {
  if (!json.is_array()) return bad(key + " must be a list");
  if (json.size() > most) return bad("more than " + std::to_string(most) + " " + key);
  for (const auto& element : json) {
    auto file = file_from(element, key + "/" + std::to_string(out.size()));
    if (!file) return file.error();
    const std::string path = file->name;
    if (!out.emplace(path, std::move(file).value()).second)
      return bad(std::string("the ") + what + " " + printed(path) + " comes twice");
  }
  return {};
}

// Name, and either path and sha256 or unread.
template <class AnyJson>
Result<void> programs_from(const AnyJson& json, std::map<std::string, ProgramFile>& out) {
  if (!json.is_array()) return bad("programs must be a list");
  if (json.size() > most_programs) return bad("more than " + std::to_string(most_programs) + " programs");
  for (const auto& element : json) {
    if (!element.is_object()) return bad("programs must be a list of objects");
    std::string name;
    ProgramFile file;
    for (const auto& [key, value] : element.items()) {
      std::string* place = key == "name"     ? &name
                           : key == "path"   ? &file.path
                           : key == "sha256" ? &file.sha256
                           : key == "unread" ? &file.unread
                                             : nullptr;
      if (place == nullptr || !value.is_string())
        return bad("programs: the key " + printed(key) + " is unknown or no text");
      *place = value.template get<std::string>();
    }
    const bool sound = fs::path(file.path).is_absolute() && is_sha256(file.sha256);
    if (name.empty() || sound == !file.unread.empty())
      return bad("programs: a name, and either path and sha256 or unread, must be there");
    if (!out.emplace(name, std::move(file)).second) return bad("the program " + printed(name) + " comes twice");
  }
  return {};
}

template <class AnyJson>
Result<InputFiles> files_from(const AnyJson& json) {
  if (!json.is_object()) return bad("files must be an object");
  InputFiles files;
  for (const auto& [key, value] : json.items())
    if (key != "profile" && key != "bench" && key != "job" && key != "cards" && key != "dialects" &&
        key != "programs" && key != "bench_directory")
      return bad("the key " + printed(key) + " is unknown");
  for (const auto& [key, file] :
       {std::pair<const char*, FileText*>{"profile", &files.profile}, {"bench", &files.bench}, {"job", &files.job}}) {
    const auto found = json.find(key);
    if (found == json.end()) return bad(std::string(key) + " is missing");
    auto read = file_from(*found, key);
    if (!read) return read.error();
    *file = std::move(read).value();
  }
  const auto cards = json.find("cards");
  if (cards == json.end()) return bad("cards is missing");
  if (auto read = named_from(*cards, "cards", "card", most_cards, files.cards); !read) return read.error();
  if (const auto dialects = json.find("dialects"); dialects != json.end())
    if (auto read = named_from(*dialects, "dialects", "dialect", most_dialects, files.dialects); !read)
      return read.error();
  if (const auto programs = json.find("programs"); programs != json.end())
    if (auto read = programs_from(*programs, files.programs); !read) return read.error();
  if (const auto directory = json.find("bench_directory"); directory != json.end()) {
    if (!directory->is_string()) return bad("bench_directory must be a text");
    files.bench_directory = directory->template get<std::string>();
    if (!files.bench_directory.empty() && !fs::path(files.bench_directory).is_absolute())
      return bad("bench_directory must be absolute");
  }
  return files;
}

}  // namespace

InputFiles gather(const fs::path& profile, const fs::path& bench, const fs::path& job) {
  InputFiles files;
  files.profile = read_file(profile, profile.string());
  files.bench = read_file(bench, bench.string());
  files.job = read_file(job, job.string());
  std::error_code failed;
  const fs::path whole = fs::absolute(bench, failed);
  if (!failed) files.bench_directory = whole.lexically_normal().parent_path().string();
  for (const std::string& path : named_paths(files.job))
    files.cards.emplace(path, read_file(job.parent_path() / path, path));
  for (const std::string& path : named_by_drivers(files.bench, "dialect", most_dialects))
    files.dialects.emplace(path, read_file(bench.parent_path() / path, path));
  for (const std::string& path : named_by_drivers(files.bench, "program", most_programs))
    files.programs.emplace(path, read_program(bench.parent_path(), path));
  return files;
}

Ordered files_to_json(const InputFiles& files) {
  Ordered out = {{"profile", file_json(files.profile)},
                 {"bench", file_json(files.bench)},
                 {"job", file_json(files.job)},
                 {"cards", Ordered::array()}};
  for (const auto& [path, card] : files.cards) {
    Ordered entry = file_json(card);
    entry["name"] = path;
    out["cards"].push_back(std::move(entry));
  }
  for (const auto& [path, dialect] : files.dialects) {
    Ordered entry = file_json(dialect);
    entry["name"] = path;
    out["dialects"].push_back(std::move(entry));
  }
  for (const auto& [path, program] : files.programs) {
    Ordered entry = {{"name", path}};
    if (!program.unread.empty() || !is_utf8(program.path))
      entry["unread"] = program.unread.empty() ? "its path is not UTF-8" : journal::printable(program.unread);
    else
      entry.update({{"path", program.path}, {"sha256", program.sha256}});
    out["programs"].push_back(std::move(entry));
  }
  out["bench_directory"] = is_utf8(files.bench_directory) ? files.bench_directory : "";
  return out;
}

Result<InputFiles> files_from_json(const Ordered& json) {
  return files_from(json);
}
Result<InputFiles> files_from_json(const nlohmann::json& json) {
  return files_from(json);
}

}  // namespace nightwell::plan

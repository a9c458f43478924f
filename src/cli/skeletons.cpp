#include "cli/skeletons.hpp"

#include <algorithm>
#include <string_view>
#include <system_error>
#include <utility>

#include "cli/new_file.hpp"
#include "cli/skeleton_files.hpp"

namespace nightwell::cli {
namespace {

namespace fs = std::filesystem;
namespace texts = skeleton_files;

struct SkeletonFile {
  std::string name;  // NAME in it becomes the new driver's
  std::string_view (*text)();
  std::string own_name;                   // what in the text becomes the new driver's name; empty: nothing
  std::string_view (*whole)() = nullptr;  // the example that the text imports what all driver programs share from
};

// In these commands FOLDER and NAME become the new folder and the new driver's name.
struct SkeletonKind {
  std::string name, language;
  std::vector<SkeletonFile> files;
  std::string build;  // empty: nothing has to be built
  std::string check;
  std::string simulated{};  // options of the check on FOLDER/simulator.py; empty: the check has a mirror
};

const std::vector<SkeletonKind>& kinds() {
  const std::string build = "cmake -S FOLDER -B FOLDER/build && cmake --build FOLDER/build";
  const std::string check = "nightwell drivers check ";
  static const std::vector<SkeletonKind> all = {
      {"source-dialect", "JSON", {{"NAME.json", texts::source_dialect, "bath-4"}}, "", check + "FOLDER/NAME.json"},
      {"scanner-dialect",
       "JSON",
       {{"NAME.json", texts::scanner_dialect, "scanner-20"}},
       "",
       check + "FOLDER/NAME.json"},
      {"register-dialect",
       "JSON, a heat source behind Modbus",
       {{"NAME.json", texts::register_dialect, "controller-312"}},
       "",
       check + "FOLDER/NAME.json"},
      {"source-program",
       "Python",
       {{"NAME.py", texts::python_source, "python-bath"}},
       "",
       check + "FOLDER/NAME.py --for heat_source --mirror terse-bath"},
      {"scanner-program",
       "Python",
       {{"NAME.py", texts::python_scanner, "counting-scanner", texts::python_source},
        {"simulator.py", texts::python_scanner_simulator, ""}},
       "",
       check + "FOLDER/NAME.py --for scanner",
       "--channels 1,7 --missing-channel 9 --reply 0.5"},
      {"source-cpp",
       "C++",
       {{"NAME.cpp", texts::cpp_source, "two-thermometer-bath"},
        {"CMakeLists.txt", texts::cpp_source_cmake, "source_driver"},
        {"mirror.json", texts::cpp_source_mirror, ""}},
       build,
       check + "FOLDER/build/NAME --for heat_source --mirror FOLDER/mirror.json"},
      {"scanner-cpp",
       "C++",
       {{"NAME.cpp", texts::cpp_scanner, "median-scanner"},
        {"CMakeLists.txt", texts::cpp_scanner_cmake, "scanner_driver"},
        {"mirror.json", texts::cpp_scanner_mirror, ""}},
       build,
       check + "FOLDER/build/NAME --for scanner --mirror FOLDER/mirror.json"}};
  return all;
}

Error bad_skeleton(std::string why) {
  return Error{Errc::bad_input, "making a new driver", std::move(why), ""};
}

bool is_name(const std::string& name) {
  return !name.empty() && name.size() <= 60 && name.front() != '-' &&
         name.find_first_not_of("abcdefghijklmnopqrstuvwxyz0123456789-") == std::string::npos;
}

std::string replaced(std::string text, const std::string& old, const std::string& by) {
  if (old.empty()) return text;
  for (std::size_t at = text.find(old); at != std::string::npos; at = text.find(old, at + by.size()))
    text.replace(at, old.size(), by);
  return text;
}

std::string command_line(const std::string& pattern, const std::string& folder, const std::string& name) {
  return replaced(replaced(pattern, "NAME", name), "FOLDER", folder);
}

// The text of a driver program is one file, and so its hash in the journal is that of all of it: what the tree's example imports from
// another one stands in it instead. Both have it between the same mark and the next one.
std::string in_one_file(std::string text, std::string_view whole) {
  constexpr std::string_view mark = "\n# ---- the same in every driver program ----\n", next = "\n# ---- ";
  const std::size_t to = text.find(mark), from = whole.find(mark);
  const std::size_t to_end = text.find(next, to + mark.size()), from_end = whole.find(next, from + mark.size());
  if (to == std::string::npos || to_end == std::string::npos || from_end == std::string_view::npos) return text;
  return text.replace(to, to_end - to, whole.substr(from, from_end - from));
}

std::string text_of(const SkeletonFile& file) {
  const std::string text(file.text());
  return file.whole == nullptr ? text : in_one_file(text, file.whole());
}

std::string script_of(const SkeletonKind& kind, const std::string& name) {
  const bool heats = kind.check.find("--for scanner") == std::string::npos && kind.name != "scanner-dialect";
  std::string out = "#!/bin/sh\n# Against ";
  out += kind.simulated.empty() ? "a mirror" : "simulator.py";
  out += heats ? ". With the instrument: --careful --port …, then --port … --lowest C --highest C.\n"
               : ". With the instrument: --port … --channels 101,102.\n";
  out += "here=$(dirname \"$0\")\n";
  if (!kind.build.empty()) out += "{ " + command_line(kind.build, "\"$here\"", name) + "; } >&2 || exit\n";
  const std::string check = command_line(kind.check, "\"$here\"", name);
  if (kind.simulated.empty()) return out + "exec " + check + " \"$@\"\n";
  return out + "case \" $*\" in *\" --port\"*) exec " + check + " \"$@\" ;; esac\n" + "port=${TMPDIR:-/tmp}/" + name +
         "-$$\n" + "exec python3 \"$here\"/simulator.py \"$port\" " + check + " --port pty:\"$port\" " +
         kind.simulated + " \"$@\"\n";
}

Result<void> write_new(const fs::path& path, std::string_view text) {
  auto file = NewFile::create(path);
  if (!file) return file.error();
  if (const auto written = file->write(text); !written) return written;
  if (const auto synced = file->sync(); !synced) return synced;
  return file->put_in_place(false);
}

// What begins as a script can be run as one.
Result<void> let_run(const fs::path& path) {
  std::error_code problem;
  fs::permissions(path, fs::perms::owner_exec | fs::perms::group_exec | fs::perms::others_exec, fs::perm_options::add,
                  problem);
  if (problem) return Error{Errc::storage, "making a new driver", problem.message(), path.string()};
  return {};
}

}  // namespace

std::string skeleton_kinds() {
  std::string out;
  for (const SkeletonKind& kind : kinds()) out += (out.empty() ? "" : ", ") + kind.name + " (" + kind.language + ")";
  return out;
}

Result<Skeleton> make_skeleton(const std::string& kind, const std::string& name) {
  const auto found =
      std::find_if(kinds().begin(), kinds().end(), [&kind](const SkeletonKind& one) { return one.name == kind; });
  if (found == kinds().end()) return bad_skeleton("there is no kind \"" + kind + "\"; there is " + skeleton_kinds());
  if (!is_name(name)) return bad_skeleton("a name has 1 to 60 of a-z, 0-9 and '-', and no '-' first");

  std::error_code problem;
  const fs::path folder = name;
  if (!fs::create_directory(folder, problem))
    return bad_skeleton(problem ? problem.message() : "the folder \"" + name + "\" is there; nothing is written over");
  std::vector<std::pair<fs::path, std::string>> files;
  for (const SkeletonFile& file : found->files)
    files.emplace_back(folder / replaced(file.name, "NAME", name), replaced(text_of(file), file.own_name, name));
  files.emplace_back(folder / "check.sh", script_of(*found, name));

  Skeleton made;
  for (const auto& [path, text] : files) {
    if (const auto written = write_new(path, text); !written) return written.error();
    if (text.starts_with("#!"))
      if (const auto runs = let_run(path); !runs) return runs.error();
    made.files.push_back(path);
  }
  made.how_to_build = command_line(found->build, name, name);
  made.how_to_try = found->simulated.empty() ? command_line(found->check, name, name) : name + "/check.sh";
  return made;
}

}  // namespace nightwell::cli

#include "cli/skeletons.hpp"

#include <system_error>
#include <utility>

#include "cli/new_file.hpp"
#include "cli/skeleton_files.hpp"

namespace nightwell::cli {
namespace {

namespace fs = std::filesystem;

Error bad_skeleton(std::string why) {
  return Error{Errc::bad_input, "making a new driver", std::move(why), ""};
}

bool is_name(const std::string& name) {
  return !name.empty() && name.size() <= 60 && name.front() != '-' &&
         name.find_first_not_of("abcdefghijklmnopqrstuvwxyz0123456789-") == std::string::npos;
}

Result<void> write_new(const fs::path& path, std::string_view text) {
  auto file = NewFile::create(path);
  if (!file) return file.error();
  if (const auto written = file->write(text); !written) return written;
  if (const auto synced = file->sync(); !synced) return synced;
  return file->put_in_place(false);
}

}  // namespace

Result<Skeleton> make_skeleton(const std::string& kind, const std::string& name) {
  std::string text;
  std::string own_name;
  if (kind == "source-dialect") {
    text = skeleton_files::source_dialect();
    own_name = "terse-bath";
  } else if (kind == "scanner-dialect") {
    text = skeleton_files::scanner_dialect();
    own_name = "chatty-scanner";
  } else {
    return bad_skeleton("there is no kind \"" + kind + "\"; there is " + skeleton_kinds);
  }
  if (!is_name(name)) return bad_skeleton("a name has 1 to 60 of a-z, 0-9 and '-', and no '-' first");
  const std::string quoted = "\"" + own_name + "\"";
  text.replace(text.find(quoted), quoted.size(), "\"" + name + "\"");

  std::error_code problem;
  const fs::path folder = name;
  if (!fs::create_directory(folder, problem))
    return bad_skeleton(problem ? problem.message() : "the folder \"" + name + "\" is there; nothing is written over");
  Skeleton made;
  const fs::path dialect = folder / (name + ".json"), test = folder / "check.sh";
  made.how_to_try = "nightwell drivers check " + dialect.string();
  const std::string script =
      "#!/bin/sh\n# The dialect against a mirror made of itself; with the instrument: add --careful --port …\n"
      "exec nightwell drivers check \"$(dirname \"$0\")/" +
      name + ".json\" \"$@\"\n";
  for (const auto& [path, content] : {std::pair<fs::path, std::string>(dialect, text), {test, script}}) {
    if (const auto written = write_new(path, content); !written) return written.error();
    made.files.push_back(path);
  }
  fs::permissions(test, fs::perms::owner_exec | fs::perms::group_exec | fs::perms::others_exec, fs::perm_options::add,
                  problem);
  return made;
}

}  // namespace nightwell::cli

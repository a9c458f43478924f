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
  std::string text, own_name, ending = ".json", arguments;
  if (kind == "source-dialect") {
    text = skeleton_files::source_dialect();
    own_name = "terse-bath";
  } else if (kind == "scanner-dialect") {
    text = skeleton_files::scanner_dialect();
    own_name = "chatty-scanner";
  } else if (kind == "source-program") {
    text = skeleton_files::source_program();
    own_name = "python-bath";
    ending = ".py";
    arguments = " --for heat_source --mirror terse-bath";
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
  const fs::path driver = folder / (name + ending), test = folder / "check.sh";
  made.how_to_try = "nightwell drivers check " + driver.string() + arguments;
  const std::string script =
      "#!/bin/sh\n# Against a mirror. With the instrument: add --careful --port …, then --port … --lowest C --highest "
      "C.\n"
      "exec nightwell drivers check \"$(dirname \"$0\")/" +
      name + ending + "\"" + arguments + " \"$@\"\n";
  for (const auto& [path, content] : {std::pair<fs::path, std::string>(driver, text), {test, script}}) {
    if (const auto written = write_new(path, content); !written) return written.error();
    made.files.push_back(path);
  }
  constexpr fs::perms may_run = fs::perms::owner_exec | fs::perms::group_exec | fs::perms::others_exec;
  fs::permissions(test, may_run, fs::perm_options::add, problem);
  if (ending == ".py" && !problem) fs::permissions(driver, may_run, fs::perm_options::add, problem);
  if (problem) return Error{Errc::storage, "making a new driver", problem.message(), folder.string()};
  return made;
}

}  // namespace nightwell::cli

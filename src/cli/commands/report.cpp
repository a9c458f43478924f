// nightwell report: the record of a run for review, as a page, with its readings and its plan beside it.
#include "report/report.hpp"

#include <CLI/CLI.hpp>
#include <memory>

#include "cli/commands.hpp"
#include "cli/context.hpp"
#include "cli/find_journal.hpp"
#include "cli/new_file.hpp"
#include "cli/wording.hpp"
#include "report/data_csv.hpp"
#include "report/html.hpp"
#include "report/setup_json.hpp"
#include "results/course.hpp"

namespace nightwell::cli {
namespace {

namespace fs = std::filesystem;

struct ReportArguments {
  std::string name;
  std::string out;
  bool force = false;
};

struct ReportPaths {
  fs::path page, data, setup;
};

// night.html, night.data.csv, night.setup.json.
ReportPaths report_paths(const fs::path& out) {
  fs::path stem = out;
  if (stem.extension() == ".html" || stem.extension() == ".htm") stem.replace_extension();
  ReportPaths paths{out, stem, stem};
  paths.data += ".data.csv";
  paths.setup += ".setup.json";
  return paths;
}

// Before a long journal is read. put_in_place() asks again.
Result<void> nothing_there(const ReportPaths& paths) {
  std::error_code error;
  for (const fs::path& path : {paths.page, paths.data, paths.setup})
    if (fs::exists(fs::symlink_status(path, error)))
      return Error{Errc::bad_input, "writing the report", "a file of that name is there; --force replaces it",
                   path.string()};
  return {};
}

// All three under temporary names first, so that a full disk leaves none of them; the page comes last.
Result<void> write_report(const fs::path& journal, const results::Results& results, const ReportPaths& paths,
                          bool force) {
  const auto course = results::course(journal, results);
  if (!course) return course.error();
  const auto page_text = report::html(results, *course);
  if (!page_text) return page_text.error();
  const auto setup_text = report::setup_json(journal, results);
  if (!setup_text) return setup_text.error();
  auto data = NewFile::create(paths.data);
  if (!data) return data.error();
  auto setup = NewFile::create(paths.setup);
  if (!setup) return setup.error();
  auto page = NewFile::create(paths.page);
  if (!page) return page.error();
  if (auto done = report::write_data(journal, results, [&](std::string_view text) { return data.value().write(text); });
      !done)
    return done;
  if (auto done = setup.value().write(*setup_text); !done) return done;
  if (auto done = page.value().write(*page_text); !done) return done;
  for (NewFile* file : {&data.value(), &setup.value(), &page.value()})
    if (auto done = file->sync(); !done) return done;
  for (NewFile* file : {&data.value(), &setup.value(), &page.value()})
    if (auto done = file->put_in_place(force); !done) return done;
  return {};
}

void make_report(Context& context, const ReportArguments& arguments) {
  const auto path = find_journal(arguments.name, context.state_root());
  if (!path) return context.fail(path.error());
  const auto bad = [&](const Error& error) {
    context.fail(error);
    context.exit = Exit::bad_input;
  };
  const ReportPaths paths = report_paths(arguments.out);
  if (!arguments.force)
    if (const auto clear = nothing_there(paths); !clear) return bad(clear.error());
  const auto found = results::compute(*path);
  if (!found) return bad(found.error());
  if (const auto done = write_report(*path, *found, paths, arguments.force); !done) return bad(done.error());
  for (const fs::path& one : {paths.page, paths.data, paths.setup}) say(shown(one.string()) + "\n");
  for (const std::string& caution : report::cautions(*found)) tell(shown(caution));
  if (found->ending != "finished") context.exit = Exit::unfinished;
}

}  // namespace

void add_report(CLI::App& program, Context& context) {
  auto* command =
      program.add_subcommand("report", "the record of a run for review, as a page; exit 0 if it finished, 4 if not");
  auto arguments = std::make_shared<ReportArguments>();
  command->add_option("JOURNAL", arguments->name,
                      "a file, a folder with a journal, or a run's id; the newest run if left out");
  command->add_option("-o,--out", arguments->out, "the page; .data.csv and .setup.json are written beside it")
      ->required()
      ->type_name("FILE.html");
  command->add_flag("--force", arguments->force, "replace files that are there");
  command->callback([&context, arguments] { make_report(context, *arguments); });
}

}  // namespace nightwell::cli

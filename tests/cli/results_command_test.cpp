// results: the journal's numbers on standard output, and whether the run finished as the exit code.
#include <catch2/catch.hpp>

#include "fake_daemon.hpp"
#include "night_journal.hpp"
#include "program.hpp"
#include "support/text.hpp"

using namespace nightwell::cli_test;
using nightwell::tests::holds;
using Path = std::filesystem::path;

TEST_CASE("results as text, JSON and CSV") {
  Folder folder;
  const Path path = write_night(folder.path() / "journal.ndjson", "finished");
  const Outcome text = run(folder.path(), {"results", path});
  CAPTURE(text.err);
  REQUIRE(text.exit == 0);
  CHECK(holds(text.out, "SB-c1"));
  CHECK(holds(text.out, "0.25"));
  const Outcome machine = run(folder.path(), {"results", path, "--json"});
  CHECK(nlohmann::json::parse(machine.out)["format"] == "nightwell-results/1");
  CHECK(holds(run(folder.path(), {"results", path, "--csv"}).out, "SB-c1"));
  CHECK(run(folder.path(), {"results", path, "--csv", "--json"}).exit == 2);
}

TEST_CASE("a run that did not finish has results, and 4") {
  Folder folder;
  CHECK(run(folder.path(), {"results", write_night(folder.path() / "a.ndjson", "parked")}).exit == 4);
  const Outcome open = run(folder.path(), {"results", write_night(folder.path() / "b.ndjson", ""), "--csv"});
  CHECK(open.exit == 4);
  CHECK(holds(open.out, "SB-c1"));
  CHECK_FALSE(open.err.empty());  // the cautions, which the table has no room for
}

TEST_CASE("no results from what is no journal") {
  Folder folder;
  write_file(folder.path() / "x.ndjson", "hello\n");
  const Outcome outcome = run(folder.path(), {"results", folder.path() / "x.ndjson"});
  CHECK(outcome.exit == 2);
  CHECK(outcome.out.empty());
}

TEST_CASE("budgets and Monte Carlo of a run without a budget say so; their options exclude programs' formats") {
  Folder folder;
  const Path path = write_night(folder.path() / "journal.ndjson", "finished");
  CHECK(holds(run(folder.path(), {"results", path, "--budgets"}).out, "no budget file"));
  CHECK(holds(run(folder.path(), {"results", path, "--monte-carlo"}).out, "no budget file"));
  CHECK(run(folder.path(), {"results", path, "--budgets", "--json"}).exit == 2);
  CHECK(run(folder.path(), {"results", path, "--digits", "1"}).exit == 2);  // of --monte-carlo
}

TEST_CASE("compare: the items of two runs side by side; 2 where there is nothing to compare") {
  Folder folder;
  const Path path = write_night(folder.path() / "journal.ndjson", "finished");
  const Outcome twice = run(folder.path(), {"compare", path, path});
  CAPTURE(twice.err);
  REQUIRE(twice.exit == 0);
  CHECK(holds(twice.out, "serial  at / °C  from"));
  CHECK(holds(twice.out, "SB-c1"));
  CHECK(holds(twice.out, "0.0000"));
  CHECK(run(folder.path(), {"compare", path, folder.path() / "none.ndjson"}).exit == 2);
}

TEST_CASE("fit: what cannot be fitted is said, and no card is written") {
  Folder folder;
  const Path path = write_night(folder.path() / "journal.ndjson", "finished");
  const Path card = folder.path() / "card.json";
  const Outcome once = run(folder.path(), {"fit", "c1", path, "-o", card});
  CHECK(once.exit == 2);
  CHECK(holds(once.err, "two readings"));
  CHECK(holds(run(folder.path(), {"fit", "c9", path}).err, "its items are c1"));
  CHECK_FALSE(std::filesystem::exists(card));
}

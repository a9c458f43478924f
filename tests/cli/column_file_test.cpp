// Tables of numbers as loggers write them: what is taken, and where a fault is said to be.
#include "cli/column_file.hpp"

#include <catch2/catch.hpp>
#include <fstream>

#include "fake_daemon.hpp"
#include "support/text.hpp"

using nightwell::Errc;
using nightwell::cli::read_columns;
using nightwell::tests::holds;
using Rows = std::vector<std::vector<double>>;

namespace {

struct Log {
  nightwell::cli_test::Folder folder;
  std::filesystem::path path = folder.path() / "log.csv";
  explicit Log(const std::string& text) { std::ofstream(path, std::ios::binary) << text; }
  nightwell::Error error(const std::vector<std::string>& columns) const {
    const auto found = read_columns(path, columns);
    REQUIRE_FALSE(found.ok());
    return found.error();
  }
};

}  // namespace

TEST_CASE("Columns by name, in the order asked; comma, semicolon or tab; any line end") {
  CHECK(*read_columns(Log("time,t1,t2\n0,20.5,21\n1, -3e-2 ,22\n").path, {"t2", "time"}) == Rows{{21, 0}, {22, 1}});
  CHECK(*read_columns(Log("a;b\r\n1;2\r\n\r\n3;4").path, {"b"}) == Rows{{2}, {4}});
  CHECK(*read_columns(Log("a\tb, °C\n1\t2\n").path, {"b, °C"}) == Rows{{2}});
}

TEST_CASE("What is wrong is named with file, line and column") {
  const auto missing = Log("time,t1\n0,1\n").error({"t2"});
  CHECK(missing.code == Errc::bad_input);
  CHECK(holds(missing.detail, "\"t2\"; the columns are time, t1"));
  CHECK(holds(missing.where, "log.csv line 1"));
  const auto word = Log("time,t1\n0,1\n1,warm\n").error({"t1"});
  CHECK(holds(word.detail, "\"warm\" in column \"t1\" is not a number"));
  CHECK(holds(word.where, "line 3"));
  CHECK(holds(Log("t\nnan\n").error({"t"}).detail, "is not a number"));
  CHECK(holds(Log("a,b\n1\n").error({"b"}).detail, "the row ends before column \"b\""));
  CHECK(holds(Log("a,b\n").error({"b"}).detail, "no rows"));
  CHECK(holds(Log("").error({"b"}).detail, "empty"));
  CHECK(read_columns("/nowhere/log.csv", {"t"}).error().code == Errc::not_found);
}

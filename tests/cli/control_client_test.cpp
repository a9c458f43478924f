#include "cli/control_client.hpp"

#include <catch2/catch.hpp>

#include "fake_daemon.hpp"

using namespace nightwell;
using namespace nightwell::cli;
using namespace nightwell::cli_test;
using nlohmann::json;

namespace {

constexpr Duration patient = std::chrono::seconds(20);
constexpr Duration brief = std::chrono::milliseconds(50);

Result<Answer> ask(const Folder& folder, Duration deadline = patient, const json& request = {{"ask", "ping"}}) {
  return ask_once(folder.path() / "control.sock", request, deadline);
}

}  // namespace

TEST_CASE("an answer, whole or in pieces, and several in one conversation") {
  Folder folder;
  FakeDaemon daemon(folder.path(), [](const json& request) { return yes({{"echo", request["n"]}}); });
  auto client = ControlClient::connect(folder.path() / "control.sock", patient);
  REQUIRE(client.ok());
  for (int n = 0; n < 3; ++n) {
    const auto answer = client.value().ask({{"n", n}}, patient);
    REQUIRE(answer.ok());
    CHECK_FALSE(answer->refusal);
    CHECK(answer->body["echo"] == n);
  }
}

TEST_CASE("a request as large as the files may be arrives whole") {
  Folder folder;
  FakeDaemon daemon(folder.path(), [](const json& request) {
    return yes({{"size", request["text"].get_ref<const std::string&>().size()}});
  });
  const auto answer = ask(folder, patient, {{"text", std::string(4'000'000, 'x')}});
  REQUIRE(answer.ok());
  CHECK(answer->body["size"] == 4'000'000);
  const auto too_large = ask(folder, patient, {{"text", std::string(9'000'000, 'x')}});
  REQUIRE_FALSE(too_large.ok());
  CHECK(too_large.error().code == Errc::bad_input);
}

TEST_CASE("a refusal keeps its code, text and faults") {
  Folder folder;
  FakeDaemon daemon(folder.path(), [](const json&) { return no("bad_input", "two faults", {"a", "b"}); });
  const auto answer = ask(folder);
  REQUIRE(answer.ok());
  REQUIRE(answer->refusal);
  CHECK(answer->refusal->code == "bad_input");
  CHECK(answer->refusal->text == "two faults");
  CHECK(answer->refusal->faults == std::vector<std::string>{"a", "b"});
}

TEST_CASE("a refusal without a reason is still a refusal") {
  Folder folder;
  FakeDaemon daemon(folder.path(), [](const json&) { return std::string("{\"ok\":false}\n"); });
  const auto answer = ask(folder);
  REQUIRE(answer.ok());
  CHECK(answer->refusal);
}

TEST_CASE("nobody there: what to do is said") {
  Folder folder;
  const auto answer = ask(folder);
  REQUIRE_FALSE(answer.ok());
  CHECK(answer.error().code == Errc::no_answer);
  const std::string text = answer.error().text();
  CHECK(text ==
        "no daemon answers at " + (folder.path() / "control.sock").string() + ": start nightwelld, or give --runtime");
}

TEST_CASE("a daemon that hangs up, stays silent or talks nonsense") {
  Folder folder;
  std::string bytes;
  FakeDaemon daemon(folder.path(), [&bytes](const json&) { return bytes; });
  SECTION("hangs up") {
    const auto answer = ask(folder);
    REQUIRE_FALSE(answer.ok());
    CHECK(answer.error().code == Errc::port_gone);
  }
  SECTION("never ends its line") {
    bytes = "{\"ok\":true}";
    const auto answer = ask(folder, brief);
    REQUIRE_FALSE(answer.ok());
    CHECK(answer.error().code == Errc::no_answer);
  }
  SECTION("no JSON") {
    bytes = "hello\n";
    CHECK(ask(folder).error().code == Errc::garbled);
  }
  SECTION("no answer of ours") {
    bytes = "[1]\n";
    CHECK(ask(folder).error().code == Errc::garbled);
    bytes = "{\"ok\":\"yes\"}\n";
    CHECK(ask(folder).error().code == Errc::garbled);
  }
  SECTION("more than one answer") {
    bytes = "{\"ok\":true}\n{\"ok\":true}\n";
    CHECK(ask(folder).error().code == Errc::garbled);
  }
  SECTION("more than an answer may hold") {
    bytes = std::string(2 * largest_answer_bytes, 'x');
    CHECK(ask(folder).error().code == Errc::garbled);
  }
}

TEST_CASE("a path that no socket may have") {
  const auto answer = ask_once("/" + std::string(200, 'x') + "/control.sock", json::object(), patient);
  REQUIRE_FALSE(answer.ok());
  CHECK(answer.error().code == Errc::bad_input);
}

// The relay's configuration, as docs/relay.md has it.
#include "relay/config.hpp"

#include <algorithm>
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace nightwell;
using namespace nightwell::relay;

namespace {

using Json = nlohmann::json;

const std::string key = "sha256:" + std::string(64, 'a');
const std::string other_key = "sha256:" + std::string(64, 'b');

Json smallest() {
  return Json::parse(
             R"({"state":"/var/lib/nightwell","listen":"192.0.2.7:7440","certificate":"relay.pem","key":"relay.key",
                         "authority":"/etc/lab/authority.pem"})")
      .patch(Json::parse(R"([{"op":"add","path":"/allow","value":[{"name":"alder","key":")" + key + R"("}]}])"));
}

std::vector<std::string> faults_of(const Json& json) {
  const auto result = read_config({"/etc/nightwell/relay.json", json.dump(), ""});
  std::vector<std::string> out;
  if (const auto* faults = std::get_if<std::vector<plan::Fault>>(&result))
    for (const auto& fault : *faults) out.push_back(fault.pointer);
  return out;
}

}  // namespace

TEST_CASE("a configuration with its defaults") {
  const auto result = read_config({"/etc/nightwell/relay.json", smallest().dump(), ""});
  REQUIRE(std::holds_alternative<Config>(result));
  const auto& config = std::get<Config>(result);
  CHECK(config.state == "/var/lib/nightwell");
  CHECK(config.listen == ListenAddress{"192.0.2.7", 7440});
  CHECK(config.certificate == "/etc/nightwell/relay.pem");  // relative to the file
  CHECK(config.authority == "/etc/lab/authority.pem");
  CHECK(config.allow.name_of(key) == "alder");
  CHECK_FALSE(config.allow.name_of(other_key));
  CHECK_FALSE(config.page);
  CHECK(config.followers == 250);
  CHECK(config.stalled == std::chrono::seconds(60));
}

TEST_CASE("a configuration with everything in it") {
  Json json = smallest();
  json["listen"] = "[2001:db8::7]:0";
  json["page"] = Json::object();
  json["followers"] = 1000;
  json["stalled_s"] = 5;
  const auto result = read_config({"relay.json", json.dump(), ""});
  REQUIRE(std::holds_alternative<Config>(result));
  const auto& config = std::get<Config>(result);
  CHECK(config.listen == ListenAddress{"2001:db8::7", 0});
  CHECK(print(config.listen) == "[2001:db8::7]:0");
  REQUIRE(config.page);
  CHECK(config.page->listen == ListenAddress{"127.0.0.1", 7441});
  CHECK_FALSE(config.page->metrics);
  CHECK(config.followers == 1000);
  CHECK(config.stalled == std::chrono::seconds(5));
}

TEST_CASE("each fault of a configuration has its place") {
  const std::pair<const char*, const char*> bad[] = {
      // what is put in (a merge patch, RFC 7396), and where the fault is
      {R"({"state":"var/lib"})", "/state"},
      {R"({"state":null})", "/state"},
      {R"({"listen":"7440"})", "/listen"},
      {R"({"listen":"localhost:7440"})", "/listen"},
      {R"({"listen":"2001:db8::7:7440"})", "/listen"},
      {R"({"listen":"192.0.2.7:65536"})", "/listen"},
      {R"({"listen":"192.0.2.7:"})", "/listen"},
      {R"({"listen":"[192.0.2.7]:1"})", "/listen"},
      {R"({"key":""})", "/key"},
      {R"({"allow":[]})", "/allow"},
      {R"({"allow":[{"name":"alder","key":"sha256:aa"}]})", "/allow/0/key"},
      {R"({"allow":[{"key":"sha256:aa"}]})", "/allow/0/name"},
      {R"({"page":true})", "/page"},
      {R"({"page":{"metrics":"yes"}})", "/page/metrics"},
      {R"({"page":{"listen":"*:1"}})", "/page/listen"},
      {R"({"page":{"port":1}})", "/page/port"},
      {R"({"followers":0})", "/followers"},
      {R"({"followers":1001})", "/followers"},
      {R"({"stalled_s":4})", "/stalled_s"},
      {R"({"control":"/run/nightwell"})", "/control"},
  };
  for (const auto& [patch, place] : bad) {
    INFO(patch);
    Json json = smallest();
    json.merge_patch(Json::parse(patch));
    const auto faults = faults_of(json);
    CHECK(std::find(faults.begin(), faults.end(), place) != faults.end());
  }
  Json twice = smallest();
  twice["allow"].push_back(twice["allow"][0]);
  CHECK(faults_of(twice) == std::vector<std::string>{"/allow/1/name", "/allow/1/key"});
}

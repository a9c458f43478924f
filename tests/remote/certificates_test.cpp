#include "remote/certificates.hpp"

#include <catch2/catch.hpp>

#include "remote/follower_file.hpp"
#include "remote/key_name.hpp"

using namespace nightwell;
using namespace nightwell::remote;

// What OpenSSL's own command and another library say about these certificates: follower_test.py.

namespace {
constexpr std::time_t made_at = 1'800'000'000;  // 2027-01-15
constexpr std::time_t a_day = 86400;
}  // namespace

TEST_CASE("an authority, a relay's and a follower's certificate say what they are") {
  const auto authority = make_authority("cold store lab", made_at, 3650);
  REQUIRE(authority);
  const auto relay = make_relay(*authority, {"lab.example.org", "192.0.2.7", "2001:db8::7"}, made_at, 730);
  const auto follower = make_follower(*authority, "anna", made_at, 730);
  REQUIRE(relay);
  REQUIRE(follower);
  const auto all = read_certificates("words\n" + authority->certificate + relay->certificate + follower->certificate);
  REQUIRE(all);
  REQUIRE(all->size() == 3);
  CHECK((*all)[0].role == Role::authority);
  CHECK((*all)[0].name == "cold store lab");
  CHECK((*all)[1].role == Role::relay);
  CHECK((*all)[1].hosts == std::vector<std::string>{"lab.example.org", "192.0.2.7", "2001:db8::7"});
  CHECK((*all)[2].role == Role::follower);
  CHECK((*all)[2].name == "anna");
  CHECK((*all)[2].hosts.empty());
  for (const auto& facts : *all) {
    CHECK(is_key_name(facts.key));
    CHECK(facts.from == made_at - 3600);
  }
  CHECK((*all)[2].until == made_at + 730 * a_day);
  CHECK((*all)[2].days_left(made_at) == 730);
  CHECK((*all)[2].days_left(made_at + 701 * a_day + 1) == 29);
  CHECK_FALSE((*all)[2].expired(made_at + 730 * a_day));
  CHECK((*all)[2].expired(made_at + 730 * a_day + 1));
}

TEST_CASE("nothing is valid longer than its authority, nor made by an expired one") {
  const auto authority = make_authority("lab", made_at, 10);
  REQUIRE(authority);
  const auto follower = make_follower(*authority, "anna", made_at, 730);
  REQUIRE(follower);
  CHECK(read_certificates(follower->certificate)->front().until == made_at + 10 * a_day);
  CHECK_FALSE(make_follower(*authority, "anna", made_at + 11 * a_day, 1));
}

TEST_CASE("a renewed relay keeps its key") {
  const auto authority = make_authority("lab", made_at, 3650);
  const auto first = make_relay(*authority, {"lab.example.org"}, made_at, 10);
  const auto second = make_relay(*authority, {"lab.example.org"}, made_at + a_day, 730, first->key);
  REQUIRE(second);
  CHECK(read_certificates(first->certificate)->front().key == read_certificates(second->certificate)->front().key);
  CHECK(first->certificate != second->certificate);
}

TEST_CASE("hosts and names that no certificate should have are refused") {
  const auto authority = make_authority("lab", made_at, 3650);
  for (const char* host :
       {"", "a b", "-a", "a-", "a..b", "*.example.org", "DNS:x", "a,DNS:b", "1.2.3", "a/b", "x\ny"}) {
    INFO(host);
    CHECK_FALSE(make_relay(*authority, {host}, made_at, 1));
  }
  CHECK_FALSE(make_relay(*authority, {}, made_at, 1));
  CHECK_FALSE(make_follower(*authority, "", made_at, 1));
  CHECK_FALSE(make_follower(*authority, "a\nb", made_at, 1));
  CHECK_FALSE(make_follower(*authority, "anna", made_at, 0));
  CHECK_FALSE(make_follower({"", ""}, "anna", made_at, 1));
}

TEST_CASE("a follower's file reads back, and says what it lacks") {
  const auto authority = make_authority("lab", made_at, 3650);
  const auto own = make_follower(*authority, "anna", made_at, 730);
  FollowerFile file;
  file.name = "anna";
  file.relay = {"2001:db8::7", 7440};
  file.own = *own;
  file.authority = authority->certificate;
  const std::string text = print(file);
  const auto read = parse_follower_file(text);
  REQUIRE(read);
  CHECK(read->name == "anna");
  CHECK(read->relay == file.relay);
  CHECK(read->own.key == own->key);
  CHECK(read->own.certificate == own->certificate);
  CHECK(read->authority == authority->certificate);
  CHECK(read->facts.name == "anna");
  CHECK_FALSE(parse_follower_file(""));
  CHECK_FALSE(parse_follower_file(own->key + own->certificate + authority->certificate));
  CHECK_FALSE(parse_follower_file("relay: h:1\n" + own->certificate + authority->certificate));
  CHECK_FALSE(parse_follower_file("relay: h:1\n" + own->key + own->certificate));
  CHECK_FALSE(parse_follower_file("relay: h:1\n" + own->key + own->certificate + own->certificate));
  for (std::size_t cut = 0; cut < text.size(); cut += 31) CHECK_FALSE(parse_follower_file(text.substr(0, cut)));
}

TEST_CASE("addresses to connect to") {
  CHECK(parse_address("lab.example.org:7440") == Address{"lab.example.org", 7440});
  CHECK(parse_address("192.0.2.7:1") == Address{"192.0.2.7", 1});
  CHECK(parse_address("[2001:db8::7]:7440") == Address{"2001:db8::7", 7440});
  CHECK(print(Address{"2001:db8::7", 7440}) == "[2001:db8::7]:7440");
  for (const char* bad : {"", ":", "lab", "lab:", "lab:0", "lab:65536", "lab:7440x", "2001:db8::7:7440", "[lab]:7440",
                          "[]:1", ":7440", "a b:1"}) {
    INFO(bad);
    CHECK_FALSE(parse_address(bad));
  }
}

TEST_CASE("passwords are long, and no two are the same") {
  const auto one = random_password(), other = random_password();
  CHECK(one->size() == 20);
  CHECK(*one != *other);
}

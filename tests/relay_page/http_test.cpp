#include "relay/http.hpp"

#include <catch2/catch.hpp>

using namespace nightwell::relay::http;
using Found = RequestParser::Found;

namespace {

constexpr const char* head = "GET /run/cold-1?x=1 HTTP/1.1\r\nHost: relay\r\nAccept: text/html\r\nAccept: */*\r\n\r\n";

int refused_with(const std::string& bytes) {
  RequestParser parser;
  return parser.put(bytes) == Found::refused ? parser.status() : 0;
}

bool says(const std::string& text, const std::string& what) {
  return text.find(what) != std::string::npos;
}

}  // namespace

TEST_CASE("a request is read, in one piece or byte by byte") {
  RequestParser at_once;
  REQUIRE(at_once.put(head) == Found::request);
  RequestParser in_bytes;
  const std::string_view bytes = head;
  for (std::size_t i = 0; i + 1 < bytes.size(); ++i) REQUIRE(in_bytes.put(bytes.substr(i, 1)) == Found::more);
  REQUIRE(in_bytes.put("\n") == Found::request);
  for (const RequestParser* parser : {&at_once, &in_bytes}) {
    CHECK(parser->request().path == "/run/cold-1");
    CHECK(parser->request().query == "x=1");
    CHECK(parser->request().accept == "text/html, */*");
    CHECK(parser->request().keep_alive);
    CHECK_FALSE(parser->request().head_only);
    CHECK_FALSE(parser->begun());
  }
}

TEST_CASE("requests one behind the other are read one after the other") {
  RequestParser parser;
  REQUIRE(parser.put("HEAD /a HTTP/1.1\r\nHost: x\r\n\r\nGET /b HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n") ==
          Found::request);
  CHECK(parser.request().head_only);
  CHECK(parser.request().path == "/a");
  CHECK(parser.begun());
  REQUIRE(parser.put("") == Found::request);
  CHECK(parser.request().path == "/b");
  CHECK_FALSE(parser.request().head_only);
  CHECK_FALSE(parser.request().keep_alive);
}

TEST_CASE("what is not GET or HEAD, has a body, or is no request is refused") {
  CHECK(refused_with("POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 0\r\n\r\n") == 405);
  CHECK(refused_with("TRACE / HTTP/1.1\r\nHost: x\r\n\r\n") == 405);
  CHECK(refused_with("BREW / HTTP/1.1\r\nHost: x\r\n\r\n") == 405);
  CHECK(refused_with("GET / HTTP/1.1\r\nHost: x\r\nContent-Length: 1\r\n\r\nx") == 413);
  CHECK(refused_with("GET / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n") == 413);
  CHECK(refused_with("GET / HTTP/1.1\r\nHost: x\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nx") == 400);
  CHECK(refused_with("GET / HTTP/1.1\r\n\r\n") == 400);
  CHECK(refused_with("GET / HTTP/1.1\r\nHost: x\r\nHost: y\r\n\r\n") == 400);
  CHECK(refused_with("GET https://x/ HTTP/1.1\r\nHost: x\r\n\r\n") == 400);
  CHECK(refused_with("GET / HTTP/2.0\r\nHost: x\r\n\r\n") == 505);
  CHECK(refused_with("GET / HTTP/1.1\r\nHost : x\r\n\r\n") == 400);
  CHECK(refused_with("GET / HTTP/1.1\r\nHost: x\r\n folded: y\r\n\r\n") == 0);  // obs-fold is read as one field
  CHECK(refused_with(std::string("GET /\0 HTTP/1.1\r\nHost: x\r\n\r\n", 32)) == 400);
  CHECK(refused_with("\x16\x03\x01\x02") == 400);  // TLS inside TLS
}

TEST_CASE("a head is at most 8 KiB") {
  const auto with = [](std::size_t bytes) {
    return "GET / HTTP/1.1\r\nHost: x\r\nX: " + std::string(bytes, 'a') + "\r\n\r\n";
  };
  CHECK(refused_with(with(8000)) == 0);
  CHECK(refused_with(with(8200)) == 431);
  CHECK(refused_with("GET /" + std::string(9000, 'a')) == 431);
  CHECK(refused_with("GET /" + std::string(100'000, 'a') + " HTTP/1.1\r\nHost: x\r\n\r\n") == 431);
  // Without an end, too, and however it comes.
  RequestParser parser;
  Found found = parser.put("GET / HTTP/1.1\r\n");
  for (int i = 0; i < 1000 && found == Found::more; ++i) found = parser.put("X: 1234567890\r\n");
  CHECK(found == Found::refused);
  CHECK(parser.status() == 431);
}

TEST_CASE("an answer has its length, what it allows the browser, and no body for HEAD") {
  RequestParser parser;
  REQUIRE(parser.put(head) == Found::request);
  Answer answer;
  answer.body = "hello";
  const std::string date = "Sun, 06 Nov 1994 08:49:37 GMT";
  const std::string whole = text(answer, parser.request(), date);
  CHECK(whole.starts_with("HTTP/1.1 200 OK\r\nDate: " + date + "\r\n"));
  CHECK(says(whole, "\r\nContent-Length: 5\r\n"));
  CHECK(says(whole,
             "Content-Security-Policy: default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'"));
  CHECK(says(whole, "\r\nX-Content-Type-Options: nosniff\r\n"));
  CHECK(says(whole, "\r\nCache-Control: no-store\r\n"));
  CHECK(says(whole, "\r\nConnection: keep-alive\r\n\r\nhello"));
  Request asked = parser.request();
  asked.head_only = true;
  CHECK(text(answer, asked, date) == whole.substr(0, whole.size() - 5));
  CHECK(says(text(plain(405), asked, date), "\r\nAllow: GET, HEAD\r\n"));
}

TEST_CASE("what does not change is sent once") {
  Request request;
  CHECK(unchanging(request, "text/css", "a{}", "\"v1\"").body == "a{}");
  request.if_none_match = "W/\"v0\", \"v1\"";
  const Answer again = unchanging(request, "text/css", "a{}", "\"v1\"");
  CHECK(again.status == 304);
  CHECK(text(again, request, "").ends_with("\r\n\r\n"));
  request.if_none_match = "\"v2\"";
  CHECK(unchanging(request, "text/css", "a{}", "\"v1\"").status == 200);
}

TEST_CASE("dates and queries") {
  CHECK(http_date(784111777) == "Sun, 06 Nov 1994 08:49:37 GMT");  // the example of RFC 9110 section 5.6.7
  CHECK(query_value("run=cold-1&x=2", "run") == "cold-1");
  CHECK(query_value("xrun=a&run=b", "run") == "b");
  CHECK(query_value("run", "run").empty());
  CHECK(query_value("", "run").empty());
}

// What the status page speaks of HTTP/1.1: bytes to requests, answers to bytes.
//
// Pure: no sockets, no clock. GET and HEAD, without a body; everything else is refused with the status that RFC 9110 has for it, and
// the connection ends. A request's head is at most 8 KiB. Host is wanted by the standard and used for nothing.
// Source: RFC 9110 (semantics), RFC 9112 (messages); the parser is Boost.Beast's (docs/decisions/0014).
#pragma once

#include <cstddef>
#include <memory>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace nightwell::relay::http {

inline constexpr std::size_t longest_head = 8 * 1024;

struct Request {
  bool head_only = false;  // HEAD
  bool keep_alive = true;
  std::string path;   // as it came: percent-encoding is not undone, as no address of ours needs any
  std::string query;  // behind the first '?'
  std::string accept, if_none_match;
};

// One connection's requests, one after the other.
class RequestParser {
 public:
  RequestParser();
  ~RequestParser();
  RequestParser(RequestParser&&) noexcept;
  RequestParser& operator=(RequestParser&&) noexcept;

  // What has come so far is no whole request; or it is one; or it is refused, with `status`, and nothing more can be read.
  enum class Found { more, request, refused };
  // Adds bytes that have come. Those behind a request are kept for the next call, which may be given none.
  Found put(std::string_view bytes);
  [[nodiscard]] const Request& request() const { return request_; }
  [[nodiscard]] int status() const { return status_; }
  // Whether bytes of a further request have come.
  [[nodiscard]] bool begun() const { return !bytes_.empty(); }

 private:
  class Parser;

  Found refused(int status);

  std::unique_ptr<Parser> parser_;
  std::string bytes_;
  Request request_;
  int status_ = 0;
};

struct Answer {
  int status = 200;
  std::string type = "text/html; charset=utf-8";
  std::string body;
  std::string cache = "no-store";
  std::string etag;        // with its quotes; "" for none
  bool keep_alive = true;  // what the server wants; the request has its say, too
  bool has_length = true;  // false: the body goes on until the connection ends
};

// Plain text: the status and what it means.
[[nodiscard]] Answer plain(int status);

// An Answer with `body` as it stands, or 304 without it where the request has this version already. `etag` has its quotes.
[[nodiscard]] Answer unchanging(const Request& request, std::string_view type, std::string_view body, std::string etag);

// The whole answer; without its body for HEAD. `date` as http_date gives it. Each has the page's security headers.
[[nodiscard]] std::string text(const Answer& answer, const Request& request, std::string_view date);

// RFC 9110 section 5.6.7: "Sun, 06 Nov 1994 08:49:37 GMT". `unix_s`: seconds since 1970-01-01T00:00:00Z.
[[nodiscard]] std::string http_date(long long unix_s);

// The value of a key in "a=1&b=2"; "" where there is none.
[[nodiscard]] std::string_view query_value(std::string_view query, std::string_view key);

}  // namespace nightwell::relay::http

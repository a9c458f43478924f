#include "relay/http.hpp"

#include <array>
#include <boost/beast/http/basic_parser.hpp>
#include <chrono>
#include <cstdio>

namespace nightwell::relay::http {

namespace {

namespace beast = boost::beast;

std::string_view view(beast::string_view text) {
  return {text.data(), text.size()};
}

const char* reason(int status) {
  switch (status) {
    case 200: return "OK";
    case 304: return "Not Modified";
    case 400: return "Bad Request";
    case 404: return "Not Found";
    case 405: return "Method Not Allowed";
    case 413: return "Content Too Large";
    case 431: return "Request Header Fields Too Large";
    case 500: return "Internal Server Error";
    case 503: return "Service Unavailable";
    case 505: return "HTTP Version Not Supported";
    default: return "Error";
  }
}

int status_for(const beast::error_code& error) {
  namespace beast_http = beast::http;
  if (error == beast_http::error::header_limit) return 431;
  if (error == beast_http::error::bad_version) return 505;
  return 400;
}

// Whether `etag` stands in an If-None-Match field (RFC 9110 section 13.1.2; weak comparison).
bool names(std::string_view field, std::string_view etag) {
  return field == "*" || field.find(etag) != std::string_view::npos;
}

// On every answer: the page runs its own script and style, talks to its own server, and is shown in no other page.
constexpr std::string_view security_headers =
    "Content-Security-Policy: default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'\r\n"
    "X-Content-Type-Options: nosniff\r\n"
    "X-Frame-Options: DENY\r\n"
    "Referrer-Policy: no-referrer\r\n"
    "Cross-Origin-Resource-Policy: same-origin\r\n"
    "Cross-Origin-Opener-Policy: same-origin\r\n";

}  // namespace

class RequestParser::Parser final : public beast::http::basic_parser<true> {
 public:
  Parser() {
    header_limit(longest_head);
    skip(true);  // no request of ours has a body: one that says it has is refused by its head
  }

  Request request;
  int version = 0;  // 11 for HTTP/1.1
  bool is_get_or_head = false, has_host = false, twice = false;

 private:
  using error_code = beast::error_code;
  using string_view = beast::string_view;

  void on_request_impl(beast::http::verb method, string_view, string_view target, int version_number,
                       error_code&) override {
    version = version_number;
    is_get_or_head = method == beast::http::verb::get || method == beast::http::verb::head;
    request.head_only = method == beast::http::verb::head;
    const std::string_view whole = view(target);
    const std::size_t mark = whole.find('?');
    request.path = whole.substr(0, mark);
    if (mark != std::string_view::npos) request.query = whole.substr(mark + 1);
  }

  void on_field_impl(beast::http::field name, string_view, string_view value, error_code&) override {
    if (name == beast::http::field::host) {
      twice = twice || has_host;
      has_host = true;
    }
    if (name == beast::http::field::accept)
      request.accept += (request.accept.empty() ? "" : ", ") + std::string(view(value));
    if (name == beast::http::field::if_none_match) request.if_none_match = view(value);
  }

  void on_response_impl(int, string_view, int, error_code&) override {}
  void on_header_impl(error_code&) override {}
  void on_body_init_impl(const boost::optional<std::uint64_t>&, error_code&) override {}
  std::size_t on_body_impl(string_view body, error_code&) override { return body.size(); }
  void on_chunk_header_impl(std::uint64_t, string_view, error_code&) override {}
  std::size_t on_chunk_body_impl(std::uint64_t, string_view body, error_code&) override { return body.size(); }
  void on_finish_impl(error_code&) override {}
};

RequestParser::RequestParser() = default;
RequestParser::~RequestParser() = default;
RequestParser::RequestParser(RequestParser&&) noexcept = default;
RequestParser& RequestParser::operator=(RequestParser&&) noexcept = default;

RequestParser::Found RequestParser::refused(int status) {
  status_ = status;
  request_.keep_alive = false;
  return Found::refused;
}

RequestParser::Found RequestParser::put(std::string_view bytes) {
  if (status_ != 0) return Found::refused;
  bytes_ += bytes;
  // An empty line in front of a request is passed by (RFC 9112 section 2.2).
  if (!parser_ && bytes_.starts_with("\r\n")) bytes_.erase(0, 2);
  if (bytes_.empty()) return Found::more;
  if (!parser_) parser_ = std::make_unique<Parser>();
  beast::error_code error;
  const std::size_t taken = parser_->put(boost::asio::const_buffer(bytes_.data(), bytes_.size()), error);
  bytes_.erase(0, taken);
  if (error == beast::http::error::need_more) error.clear();
  if (error) return refused(status_for(error));
  if (!parser_->is_header_done()) return bytes_.size() > longest_head ? refused(431) : Found::more;
  request_ = std::move(parser_->request);
  request_.keep_alive = parser_->keep_alive();
  const auto length = parser_->content_length();
  const bool has_body = parser_->chunked() || (length && *length > 0);
  const bool sound = !parser_->twice && (parser_->has_host || parser_->version < 11) && request_.path.starts_with('/');
  const bool is_get_or_head = parser_->is_get_or_head;
  const bool known_version = parser_->version == 11 || parser_->version == 10;
  parser_.reset();
  if (!known_version) return refused(505);
  if (!is_get_or_head) return refused(405);
  if (has_body) return refused(413);
  if (!sound) return refused(400);
  return Found::request;
}

Answer plain(int status) {
  Answer out;
  out.status = status;
  out.type = "text/plain; charset=utf-8";
  out.body = std::to_string(status) + " " + reason(status) + "\n";
  return out;
}

Answer unchanging(const Request& request, std::string_view type, std::string_view body, std::string etag) {
  Answer out;
  out.type = type;
  out.cache = "no-cache";  // kept, but asked for again: a new version of the program shows at once
  if (names(request.if_none_match, etag))
    out.status = 304;
  else
    out.body = body;
  out.etag = std::move(etag);
  return out;
}

std::string text(const Answer& answer, const Request& request, std::string_view date) {
  const bool closes = !answer.keep_alive || !request.keep_alive || !answer.has_length;
  std::string out = "HTTP/1.1 " + std::to_string(answer.status) + " " + reason(answer.status) + "\r\n";
  out += "Date: " + std::string(date) + "\r\n";
  if (answer.status != 304) {
    out += "Content-Type: " + answer.type + "\r\n";
    if (answer.has_length) out += "Content-Length: " + std::to_string(answer.body.size()) + "\r\n";
  }
  out += "Cache-Control: " + answer.cache + "\r\n";
  if (!answer.etag.empty()) out += "ETag: " + answer.etag + "\r\n";
  if (answer.status == 405) out += "Allow: GET, HEAD\r\n";
  if (answer.status == 503) out += "Retry-After: 10\r\n";
  out += security_headers;
  out += closes ? "Connection: close\r\n\r\n" : "Connection: keep-alive\r\n\r\n";
  if (!request.head_only && answer.status != 304) out += answer.body;
  return out;
}

std::string http_date(long long unix_s) {
  using namespace std::chrono;
  static constexpr std::array<const char*, 7> days_of_week{"Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"};
  static constexpr std::array<const char*, 12> months_of_year{"Jan", "Feb", "Mar", "Apr", "May", "Jun",
                                                              "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
  const sys_seconds moment{seconds{unix_s}};
  const auto midnight = floor<days>(moment);
  const year_month_day date(midnight);
  const hh_mm_ss time(moment - midnight);
  std::array<char, 64> out{};
  std::snprintf(out.data(), out.size(), "%s, %02u %s %04d %02d:%02d:%02d GMT",
                days_of_week[weekday(midnight).c_encoding()], static_cast<unsigned>(date.day()),
                months_of_year[static_cast<unsigned>(date.month()) - 1], static_cast<int>(date.year()),
                static_cast<int>(time.hours().count()), static_cast<int>(time.minutes().count()),
                static_cast<int>(time.seconds().count()));
  return out.data();
}

std::string_view query_value(std::string_view query, std::string_view key) {
  while (!query.empty()) {
    const std::size_t end = query.find('&');
    const std::string_view pair = query.substr(0, end);
    query.remove_prefix(end == std::string_view::npos ? query.size() : end + 1);
    const std::size_t equals = pair.find('=');
    if (equals != std::string_view::npos && pair.substr(0, equals) == key) return pair.substr(equals + 1);
  }
  return {};
}

}  // namespace nightwell::relay::http

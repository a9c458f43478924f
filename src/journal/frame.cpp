#include "journal/frame.hpp"

#include <algorithm>
#include <array>
#include <charconv>

namespace nightwell::journal {

namespace {

constexpr std::string_view utc_shape = "dddd-dd-ddTdd:dd:dd.ddddddZ";
constexpr std::string_view before_prev = R"(,"prev":")";
constexpr std::string_view behind_prev = R"("})";
constexpr std::size_t tail_bytes = before_prev.size() + 64 + behind_prev.size();
constexpr std::int64_t second_us = 1'000'000;

bool digit(char c) {
  return c >= '0' && c <= '9';
}

// Without leaving at the first that is none: every line has 64 of them, and a jump for each costs a fifth of verify().
bool all_hex_digits(std::string_view text) {
  constexpr auto table = [] {
    std::array<bool, 256> out{};
    for (const char c : std::string_view("0123456789abcdef")) out[static_cast<unsigned char>(c)] = true;
    return out;
  }();
  bool all = true;
  for (const char c : text) all = all & table[static_cast<unsigned char>(c)];
  return all;
}

bool kind_letter(char c) {
  return (c >= 'a' && c <= 'z') || c == '_';
}

// Takes a line apart from its front; `at` is where it stopped.
class Front {
 public:
  explicit Front(std::string_view line) : line_(line) {}
  [[nodiscard]] std::size_t at() const { return at_; }

  bool literal(std::string_view text) {
    if (line_.substr(at_, text.size()) != text) return false;
    at_ += text.size();
    return true;
  }

  bool whole_number(std::uint64_t& out) {
    const std::string_view rest = line_.substr(at_);
    if (rest.empty() || !digit(rest.front())) return false;
    if (rest.size() > 1 && rest[0] == '0' && digit(rest[1])) return false;
    const auto done = std::from_chars(rest.data(), rest.data() + rest.size(), out);
    if (done.ec != std::errc()) return false;
    at_ += static_cast<std::size_t>(done.ptr - rest.data());
    return true;
  }

  bool six_decimals(std::int64_t& micros) {
    if (!literal(".") || line_.size() - at_ < 6) return false;
    micros = 0;
    for (std::size_t i = 0; i < 6; ++i) {
      if (!digit(line_[at_ + i])) return false;
      micros = micros * 10 + (line_[at_ + i] - '0');
    }
    at_ += 6;
    return true;
  }

  std::string_view take(std::size_t count) {
    const std::string_view text = line_.substr(std::min(at_, line_.size()), count);
    at_ += text.size();
    return text;
  }

  std::string_view kind_letters() {
    const std::size_t from = at_;
    while (at_ < line_.size() && kind_letter(line_[at_])) ++at_;
    return line_.substr(from, at_ - from);
  }

 private:
  std::string_view line_;
  std::size_t at_ = 0;
};

bool read_up(Front& front, Instant& up) {
  std::uint64_t seconds = 0;
  std::int64_t micros = 0;
  constexpr std::uint64_t most = 1'000'000'000'000;  // 30 000 years: far from overflow
  if (!front.whole_number(seconds) || seconds >= most || !front.six_decimals(micros)) return false;
  up = Instant{Duration{static_cast<std::int64_t>(seconds) * second_us + micros}};
  return true;
}

}  // namespace

bool is_utc(std::string_view text) {
  if (text.size() != utc_shape.size()) return false;
  for (std::size_t i = 0; i < text.size(); ++i)
    if (utc_shape[i] == 'd' ? !digit(text[i]) : text[i] != utc_shape[i]) return false;
  return true;
}

bool is_kind(std::string_view text) {
  return !text.empty() && text.size() <= 32 && std::all_of(text.begin(), text.end(), kind_letter);
}

std::optional<strict_json::Fault> read_frame(std::string_view line, Frame& frame) {
  Front front(line);
  const auto missing = [&](const char* what) { return strict_json::Fault{front.at(), what}; };
  if (!front.literal(R"({"n":)") || !front.whole_number(frame.n)) return missing("n is not in its place");
  if (!front.literal(R"(,"utc":")") || !is_utc(frame.utc = front.take(utc_shape.size())) || !front.literal("\""))
    return missing("utc is not in its place, with six decimals and Z");
  if (!front.literal(R"(,"up_s":)") || !read_up(front, frame.up))
    return missing("up_s is not in its place, with six decimals");
  if (!front.literal(R"(,"kind":")") || !is_kind(frame.kind = front.kind_letters()) || !front.literal("\""))
    return missing("kind is not in its place, in lower-case letters");
  if (line.size() < front.at() + tail_bytes) return missing("prev is not in its place");
  const std::string_view tail = line.substr(line.size() - tail_bytes);
  frame.prev = tail.substr(before_prev.size(), 64);
  if (tail.substr(0, before_prev.size()) != before_prev || tail.substr(tail.size() - 2) != behind_prev ||
      !all_hex_digits(frame.prev))
    return strict_json::Fault{line.size() - tail_bytes, "prev is not in its place, with 64 lower-case hex digits"};
  return std::nullopt;
}

void append_head(std::string& out, std::uint64_t n, std::string_view utc, Instant up, std::string_view kind) {
  std::array<char, 24> room{};
  const auto whole = [&](std::uint64_t value) {
    const auto done = std::to_chars(room.data(), room.data() + room.size(), value);
    return std::string_view(room.data(), static_cast<std::size_t>(done.ptr - room.data()));
  };
  const auto micros = static_cast<std::uint64_t>(up.since_open.count());
  out += R"({"n":)";
  out += whole(n);
  out += R"(,"utc":")";
  out += utc;
  out += R"(","up_s":)";
  out += whole(micros / second_us);
  out += '.';
  const std::string_view decimals = whole(micros % second_us);
  out.append(6 - decimals.size(), '0');
  out += decimals;
  out += R"(,"kind":")";
  out += kind;
  out += '"';
}

void append_prev(std::string& out, std::string_view prev) {
  out += before_prev;
  out += prev;
  out += behind_prev;
}

}  // namespace nightwell::journal

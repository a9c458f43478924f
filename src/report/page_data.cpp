#include "report/page_data.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>

#include "journal/plain_text.hpp"
#include "report/numbers.hpp"

namespace nightwell::report {

std::string with_minus(std::string number) {
  if (number.size() > 1 && number.front() == '-') number.replace(0, 1, "\u2212");
  return number;
}

void put(PageData& to, const char* key, const std::string& text) {
  to.set(key, PageData(journal::printable(text)));
}

void put_drawing(PageData& to, const char* key, const std::string& drawing) {
  to.set(key, PageData(drawing));
  to.set("has_" + std::string(key), PageData(!drawing.empty()));
}

void put_list(PageData& to, const std::string& key, const std::vector<PageData>& entries) {
  PageData list(PageData::type::list);
  for (const PageData& entry : entries) list.push_back(entry);
  to.set(key, list);
  to.set("has_" + key, PageData(!entries.empty()));
}

void put_texts(PageData& to, const std::string& key, const std::vector<std::string>& texts) {
  std::vector<PageData> entries;
  for (const std::string& text : texts) put(entries.emplace_back(), "text", text);
  put_list(to, key, entries);
}

std::string or_dash(const std::string& text) {
  return text.empty() ? "-" : text;
}

std::string shown_number(std::optional<double> value, int decimals) {
  return with_minus(fixed(value, decimals));
}

std::string shown_amount(double value) {
  const double size = std::abs(value);
  if (value == 0) return "0";
  if (!std::isfinite(value) || size >= 1e6 || size < 1e-5) {
    std::array<char, 64> room{};
    const auto done = std::to_chars(room.data(), room.data() + room.size(), value, std::chars_format::scientific, 3);
    return with_minus({room.data(), done.ptr});
  }
  const int before_point = static_cast<int>(std::floor(std::log10(size))) + 1;
  return with_minus(fixed(value, std::max(0, 4 - before_point)));
}

std::string shown_moment(double at_s) {
  const auto seconds = static_cast<long long>(std::llround(std::clamp(at_s, 0.0, 1e12)));
  const auto two = [](long long number) { return (number < 10 ? "0" : "") + std::to_string(number); };
  return std::to_string(seconds / 3600) + ":" + two(seconds / 60 % 60) + ":" + two(seconds % 60);
}

}  // namespace nightwell::report

#include "dialect/template.hpp"

#include <array>
#include <charconv>
#include <cmath>

#include "nightwell/instrument/scpi.hpp"

namespace nightwell::dialect {

namespace {

constexpr double largest_written = 1e9;
constexpr std::size_t longest_integer = 9;

Error bad_template(std::string detail) {
  return Error{Errc::bad_input, "reading a template", std::move(detail), ""};
}

bool is_digit(char c) {
  return c >= '0' && c <= '9';
}
bool is_letter_or_digit(char c) {
  return is_digit(c) || (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z');
}
bool is_of_a_word(char c) {
  return is_letter_or_digit(c) || std::string_view("+-_./#").find(c) != std::string_view::npos;
}

std::optional<char> byte_of(std::string_view digits) {
  unsigned value = 0;
  if (digits.size() < 2) return std::nullopt;
  const auto [end, problem] = std::from_chars(digits.data(), digits.data() + 2, value, 16);
  if (problem != std::errc{} || end != digits.data() + 2) return std::nullopt;
  return static_cast<char>(value);
}

// ---- how much of a text each kind of field takes ----

std::size_t digits_at(std::string_view text, std::size_t at) {
  std::size_t end = at;
  while (end < text.size() && is_digit(text[end])) ++end;
  return end - at;
}

std::size_t sign_at(std::string_view text, std::size_t at) {
  return at < text.size() && (text[at] == '+' || text[at] == '-') ? 1 : 0;
}

// 0: there is no number.
std::size_t number_length(std::string_view text, bool comma) {
  std::size_t at = sign_at(text, 0);
  const std::size_t whole = digits_at(text, at);
  at += whole;
  std::size_t places = 0;
  if (at < text.size() && text[at] == (comma ? ',' : '.')) {
    places = digits_at(text, at + 1);
    if (whole + places > 0) at += 1 + places;
  }
  if (whole + places == 0) return 0;
  if (at < text.size() && (text[at] == 'E' || text[at] == 'e')) {
    const std::size_t sign = sign_at(text, at + 1);
    const std::size_t exponent = digits_at(text, at + 1 + sign);
    if (exponent > 0) at += 1 + sign + exponent;
  }
  return at;
}

template <class Predicate>
std::size_t run_length(std::string_view text, Predicate belongs) {
  std::size_t n = 0;
  while (n < text.size() && belongs(text[n])) ++n;
  return n;
}

template <class Meaning>
std::size_t word_length(std::string_view text, const std::vector<std::pair<std::string, Meaning>>& words) {
  for (const auto& [word, meaning] : words)
    if (text.starts_with(word)) return word.size();
  return 0;
}

struct Taker {
  std::string_view rest;  // starts at the field
  char delimiter;         // what ends a text; '\n' where nothing follows
  bool comma;
  std::string_view channel;
  Taken& taken;

  std::size_t operator()(const NumberField& field) const {
    for (const auto& [word, condition] : field.no_number) {
      if (!rest.starts_with(word)) continue;
      taken.condition = condition;
      return word.size();
    }
    return number_length(rest, comma);
  }
  std::size_t operator()(const IntegerField&) const {
    const std::size_t sign = sign_at(rest, 0);
    const std::size_t digits = digits_at(rest, sign);
    return digits == 0 || digits > longest_integer ? 0 : sign + digits;
  }
  std::size_t operator()(const WordField&) const { return run_length(rest, is_of_a_word); }
  std::size_t operator()(const TextField&) const {
    return run_length(rest, [this](char c) { return c != delimiter && c != '\n'; });
  }
  std::size_t operator()(const UnitField& field) const { return word_length(rest, field.words); }
  std::size_t operator()(const StateField& field) const { return word_length(rest, field.words); }
  std::size_t operator()(const ChannelField&) const {
    if (channel.empty()) return run_length(rest, is_letter_or_digit);
    return rest.starts_with(channel) ? channel.size() : 0;
  }
};

bool is_padded(const Field& field) {
  const auto* number = std::get_if<NumberField>(&field.kind);
  return number != nullptr && number->padded;
}

char delimiter_behind(const Template& pattern, std::size_t part) {
  const auto* literal = part + 1 < pattern.size() ? std::get_if<std::string>(&pattern[part + 1]) : nullptr;
  return literal != nullptr && !literal->empty() ? literal->front() : '\n';
}

}  // namespace

Result<Template> parse_template(std::string_view text, const std::vector<Field>& fields) {
  if (text.size() > longest_template) return bad_template("it is longer than 1024 bytes");
  Template out;
  std::string literal;
  std::size_t named = 0;
  const auto end_literal = [&] {
    if (!literal.empty()) out.emplace_back(std::move(literal));
    literal.clear();
  };
  while (!text.empty()) {
    const char c = text.front();
    if (text.starts_with("{{") || text.starts_with("}}") || text.starts_with("\\\\")) {
      literal += c;
      text.remove_prefix(2);
    } else if (c == '\\') {
      const auto byte = text.starts_with("\\x") ? byte_of(text.substr(2)) : std::nullopt;
      if (!byte) return bad_template("a backslash stands only in \\xNN and \\\\");
      literal += *byte;
      text.remove_prefix(4);
    } else if (c == '}') {
      return bad_template("a } without its {; write }} for the brace itself");
    } else if (c == '{') {
      const std::size_t close = text.find('}');
      if (close == std::string_view::npos) return bad_template("a { without its }; write {{ for the brace itself");
      const std::string_view name = text.substr(1, close - 1);
      std::size_t field = 0;
      while (field < fields.size() && fields[field].name != name) ++field;
      if (field == fields.size()) return bad_template("no field is named \"" + std::string(name) + "\"");
      end_literal();
      if (++named > most_fields) return bad_template("it has more than 64 fields");
      out.emplace_back(field);
      text.remove_prefix(close + 1);
    } else {
      literal += c;
      text.remove_prefix(1);
    }
  }
  end_literal();
  return out;
}

std::string ambiguity(const Template& pattern, const std::vector<Field>& fields) {
  for (std::size_t part = 0; part + 1 < pattern.size(); ++part) {
    const auto* here = std::get_if<std::size_t>(&pattern[part]);
    const auto* next = std::get_if<std::size_t>(&pattern[part + 1]);
    if (here == nullptr) continue;
    const FieldKind& kind = fields[*here].kind;
    const bool told_apart = std::holds_alternative<UnitField>(kind) || std::holds_alternative<StateField>(kind) ||
                            std::holds_alternative<ChannelField>(kind);
    const bool number_and_unit = next != nullptr && std::holds_alternative<NumberField>(kind) &&
                                 std::holds_alternative<UnitField>(fields[*next].kind);
    if (next != nullptr && !told_apart && !number_and_unit)
      return "where {" + fields[*here].name + "} ends and {" + fields[*next].name + "} begins cannot be told";
  }
  return "";
}

const Taken* Match::of(std::size_t field) const {
  for (const Taken& one : taken)
    if (one.field == field) return &one;
  return nullptr;
}

std::optional<Match> match(const Template& pattern, std::string_view line, const std::vector<Field>& fields, bool comma,
                           std::string_view channel, bool begins) {
  Match out;
  for (std::size_t part = 0; part < pattern.size(); ++part) {
    if (const auto* literal = std::get_if<std::string>(&pattern[part])) {
      if (!line.starts_with(*literal)) return std::nullopt;
      line.remove_prefix(literal->size());
      continue;
    }
    Taken taken;
    taken.field = std::get<std::size_t>(pattern[part]);
    const Field& field = fields[taken.field];
    if (is_padded(field)) line.remove_prefix(run_length(line, [](char c) { return c == ' '; }));
    const std::size_t length =
        std::visit(Taker{line, delimiter_behind(pattern, part), comma, channel, taken}, field.kind);
    if (length == 0) return std::nullopt;
    taken.text = line.substr(0, length);
    line.remove_prefix(length);
    out.taken.push_back(taken);
  }
  if (!line.empty() && !(begins && line.front() == '\n')) return std::nullopt;
  return out;
}

Result<double> number_of(std::string_view text, const NumberField& field, bool comma, std::optional<Unit> unit) {
  std::string plain(text);
  if (comma)
    if (const std::size_t at = plain.find(','); at != std::string::npos) plain[at] = '.';
  const Result<double> raw = instrument::parse_scpi_number(plain);
  if (!raw) return raw;
  const double value = *raw * field.factor + field.offset;
  if (unit) return to_base(value, *unit);
  return field.unit ? to_base(value, *field.unit) : value;
}

Result<std::string> number_text(double base, const NumberField& field, bool comma) {
  const auto refuse = [](const char* why) { return Error{Errc::bad_input, "writing a number", why, ""}; };
  const double raw = ((field.unit ? from_base(base, *field.unit) : base) - field.offset) / field.factor;
  if (!std::isfinite(raw) || std::abs(raw) > largest_written)
    return refuse("a number in a command must be finite and within 1e9");
  std::array<char, 64> digits{};
  const auto [end, problem] = std::to_chars(digits.data(), digits.data() + digits.size(), std::abs(raw),
                                            std::chars_format::fixed, field.decimals);
  if (problem != std::errc{}) return refuse("the number has too many places");
  std::string text(digits.data(), end);
  const bool negative = raw < 0 && text.find_first_not_of("0.") != std::string::npos;  // never "-0.00"
  const std::string sign = negative ? "-" : field.plus ? "+" : "";
  const auto width = static_cast<std::size_t>(field.width);
  if (width > 0 && sign.size() + text.size() > width) return refuse("the number is wider than its field");
  if (width > 0) text.insert(0, width - sign.size() - text.size(), '0');
  if (comma)
    if (const std::size_t at = text.find('.'); at != std::string::npos) text[at] = ',';
  return sign + text;
}

Result<std::string> fill_in(const Template& pattern, const std::vector<Field>& fields, bool comma,
                            const Values& values) {
  std::string out;
  for (const Part& part : pattern) {
    if (const auto* literal = std::get_if<std::string>(&part)) {
      out += *literal;
      continue;
    }
    const Field& field = fields[std::get<std::size_t>(part)];
    const auto* number = std::get_if<NumberField>(&field.kind);
    if (number != nullptr && values.number) {
      const Result<std::string> text = number_text(*values.number, *number, comma);
      if (!text) return text.error();
      out += *text;
    } else if (std::holds_alternative<ChannelField>(field.kind) && !values.channel.empty()) {
      out += values.channel;
    } else {
      return Error{Errc::bad_input, "writing a command", "nothing is there for the field {" + field.name + "}", ""};
    }
  }
  return out;
}

}  // namespace nightwell::dialect

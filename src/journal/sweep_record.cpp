#include "journal/sweep_record.hpp"

#include <algorithm>
#include <array>
#include <charconv>

#include "journal/json_numbers.hpp"
#include "journal/json_walker.hpp"

namespace nightwell::journal {

namespace {

constexpr const char* another_shape = "not the shape of a sweep";

// In the order in which the writer puts them.
enum class Key { n, utc, up_s, kind, sweep, order, purpose, plateau, started_s, at_s, raw, faults, t_c, prev, none };
constexpr std::array<std::string_view, 14> key_names = {"n",     "utc",     "up_s",    "kind",      "sweep",
                                                        "order", "purpose", "plateau", "started_s", "at_s",
                                                        "raw",   "faults",  "t_c",     "prev"};

constexpr unsigned bit(Key key) {
  return 1U << static_cast<unsigned>(key);
}
constexpr unsigned needed = bit(Key::prev) * 2 - 1 - bit(Key::faults) - bit(Key::t_c);

template <class Whole>
bool read_whole(std::string_view text, Whole& out) {
  const auto done = std::from_chars(text.data(), text.data() + text.size(), out);
  return done.ec == std::errc() && done.ptr == text.data() + text.size();
}

// Keeps what belongs to a sweep; remembers that something else was met and lets the walk end.
class SweepSink {
 public:
  explicit SweepSink(SweepRecord& out) : out_(out) {
    out_.at_s.clear();
    out_.raw.clear();
    out_.faults.clear();
    out_.plateau.reset();
  }

  [[nodiscard]] bool whole_sweep() const { return !other_ && (seen_ & needed) == needed; }

  void open_object() {
    ++depth_;
    const bool fits = depth_ == 1 || (key_ == Key::faults && depth_ <= 3 && !in_list_);
    other_ = other_ || !fits;
    if (depth_ == 3) code_seen_ = text_seen_ = false;
  }
  const char* close_object() {
    if (depth_ == 3 && !code_seen_) other_ = true;
    --depth_;
    return other_ ? another_shape : nullptr;
  }
  void open_array() {
    const bool list = key_ == Key::at_s || key_ == Key::raw || key_ == Key::t_c;
    other_ = other_ || depth_ != 1 || in_list_ || !list;
    in_list_ = true;
  }
  void close_array() { in_list_ = false; }

  void key(std::string_view name, bool escapes) {
    other_ = other_ || escapes;
    if (depth_ == 1) return field(name);
    if (depth_ == 2) return fault(name);
    bool& seen = name == "code" ? code_seen_ : text_seen_;
    other_ = other_ || seen || (name != "code" && name != "text");
    seen = true;
    is_code_ = name == "code";
  }

  void text(std::string_view text, bool escapes) {
    if (depth_ == 3) {
      if (is_code_) out_.faults.back().code = text;
      other_ = other_ || (is_code_ && escapes);
    } else if (key_ == Key::order || key_ == Key::purpose) {
      (key_ == Key::order ? out_.order : out_.purpose) = text;
      other_ = other_ || escapes || in_list_ || depth_ != 1;
    } else {
      other_ = other_ || (key_ != Key::utc && key_ != Key::kind && key_ != Key::prev);
    }
  }

  const char* number(std::string_view lexeme, bool whole) {
    if (other_ || depth_ != 1) return another_shape;
    switch (key_) {
      case Key::at_s: return in_list_ ? put(lexeme, whole, out_.at_s.emplace_back()) : another_shape;
      case Key::raw: return in_list_ ? put(lexeme, whole, out_.raw.emplace_back().emplace()) : another_shape;
      case Key::t_c: return in_list_ ? put(lexeme, whole, ignored_) : another_shape;
      case Key::up_s: return put(lexeme, whole, ignored_);
      case Key::started_s: return put(lexeme, whole, out_.started_s);
      case Key::n: return whole && read_whole(lexeme, out_.n) ? nullptr : another_shape;
      case Key::sweep: return whole && read_whole(lexeme, out_.sweep) ? nullptr : another_shape;
      case Key::plateau: return whole && read_whole(lexeme, out_.plateau.emplace()) ? nullptr : another_shape;
      default: return another_shape;
    }
  }

  void literal(std::optional<bool> meaning) {
    const bool null = !meaning.has_value() && depth_ == 1;
    if (null && in_list_ && key_ == Key::raw)
      out_.raw.emplace_back();
    else
      other_ = other_ || !null || !(key_ == Key::plateau || (in_list_ && key_ == Key::t_c));
  }

 private:
  // A key of the record; the next in order is the likeliest.
  void field(std::string_view name) {
    const auto next = key_names.begin() + (key_ == Key::none ? 0 : static_cast<std::ptrdiff_t>(key_) + 1);
    auto found = std::find(next, key_names.end(), name);
    if (found == key_names.end()) found = std::find(key_names.begin(), key_names.end(), name);
    if (found == key_names.end()) {
      other_ = true;
      return;
    }
    key_ = static_cast<Key>(found - key_names.begin());
    other_ = other_ || (seen_ & bit(key_)) != 0;
    seen_ |= bit(key_);
  }

  void fault(std::string_view name) {
    std::size_t position = 0;
    const bool usual = read_whole(name, position) && (name.size() == 1 || name.front() != '0');
    const bool again = std::any_of(out_.faults.begin(), out_.faults.end(),
                                   [position](const auto& fault) { return fault.position == position; });
    other_ = other_ || !usual || again;
    out_.faults.push_back({position, ""});
  }

  // A whole number of few digits is the same number either way; of many, the general reader knows better.
  static const char* put(std::string_view lexeme, bool whole, double& out) {
    constexpr std::size_t surely_exact = 15;
    if (whole && lexeme.size() > surely_exact) return another_shape;
    return strict_json::read_double(lexeme, out);
  }

  SweepRecord& out_;
  Key key_ = Key::none;
  unsigned seen_ = 0;
  int depth_ = 0;
  bool in_list_ = false, other_ = false;
  bool code_seen_ = false, text_seen_ = false, is_code_ = false;
  double ignored_ = 0;
};

}  // namespace

bool read_sweep(std::string_view line, SweepRecord& out) {
  SweepSink sink(out);
  return !strict_json::Walker(line, sink).walk() && sink.whole_sweep();
}

}  // namespace nightwell::journal

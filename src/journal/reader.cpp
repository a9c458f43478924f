#include "journal/reader.hpp"

#include <algorithm>

#include "journal/file.hpp"
#include "journal/frame.hpp"
#include "journal/journal.hpp"
#include "journal/sha256.hpp"
#include "journal/strict_json.hpp"

namespace nightwell::journal {

namespace {

constexpr const char* checking = "checking a journal";

// The opening's first field: of the format that has seals, and of the one that has none.
constexpr std::string_view sealed_format = R"(,"format":"nightwell-journal/2")";
constexpr std::string_view first_format = R"(,"format":"nightwell-journal/1")";

std::string count_hint(std::uint64_t found, std::uint64_t expected) {
  return found > expected ? "lines before it are missing or out of order"
                          : "lines before it were added or repeated, or are out of order";
}

// What must hold from line to line: n, prev, and nothing after the closing record but its seal.
class Chain {
 public:
  // The lines that follow stand in this file.
  void enter(const std::filesystem::path& file) {
    out_.files.push_back(file);
    first_of_file_ = out_.lines;
  }

  [[nodiscard]] std::optional<Error> link(const Frame& frame, const Lines::Line& line) {
    const bool seal = frame.kind == seal_kind;
    if (end_ == End::sealed || (end_ == End::closed && !(seal && out_.has_seals)))
      return damaged(line.offset, "it follows the closing record");
    if (frame.n != out_.lines)
      return damaged(line.offset, "n is " + std::to_string(frame.n) + " where " + std::to_string(out_.lines) +
                                      " should stand: " + count_hint(frame.n, out_.lines));
    if (frame.prev != view(head_)) {
      if (out_.lines == 0) return damaged(line.offset, "prev of the first line is not 64 zeros");
      return damaged(line.offset, "prev is not the hash of " + last_place_ + ": one of the two lines was changed");
    }
    if (seal)
      if (auto wrong = link_seal(frame, line.text)) return damaged(line.offset, *wrong);
    if (out_.lines == 0)
      if (auto wrong = learn_format(frame, line.text)) return damaged(line.offset, *wrong);
    head_ = sha256_.hex(line.text);
    last_place_ = place(line.offset);
    out_.bytes += line.text.size() + 1;
    ++out_.lines;
    if (frame.kind == "closing") {
      end_ = End::closed;
      out_.closed = true;
      // What an unsigned seal must say again.
      closing_utc_ = frame.utc;
      closing_up_ = frame.up;
    }
    return std::nullopt;
  }

  [[nodiscard]] Error damaged(std::uint64_t offset, const std::string& what) const {
    return {Errc::damaged, checking, place(offset) + ": " + what, out_.files.back().string()};
  }
  [[nodiscard]] Error damaged(std::uint64_t offset, const strict_json::Fault& fault) const {
    return damaged(offset, fault.what + " (byte " + std::to_string(offset + fault.at) + ")");
  }

  // Nothing may follow, not even a torn end.
  [[nodiscard]] bool complete() const { return end_ == End::sealed || (end_ == End::closed && !out_.has_seals); }
  [[nodiscard]] std::uint64_t lines() const { return out_.lines; }
  [[nodiscard]] std::uint64_t bytes() const { return out_.bytes; }
  [[nodiscard]] bool closed() const { return out_.closed; }
  [[nodiscard]] std::string_view head() const { return view(head_); }
  [[nodiscard]] Verification verification(std::optional<TornTail> torn) const {
    Verification out = out_;
    out.head = view(head_);
    out.torn = std::move(torn);
    return out;
  }

 private:
  enum class End { open, closed, sealed };

  // "line 18 (n 17, byte 5213)": lines count from 1 in their file, as editors and sed do.
  [[nodiscard]] std::string place(std::uint64_t offset) const {
    return "line " + std::to_string(out_.lines - first_of_file_ + 1) + " (n " + std::to_string(out_.lines) + ", byte " +
           std::to_string(offset) + ")";
  }

  // The first line: an opening, and in its first field a format that is known.
  std::optional<std::string> learn_format(const Frame& frame, std::string_view line) {
    std::string head;
    append_head(head, frame.n, frame.utc, frame.up, "opening");
    if (line.substr(0, head.size()) != head) return "the first record is no opening";
    line.remove_prefix(head.size());
    out_.has_seals = line.substr(0, sealed_format.size()) == sealed_format;
    if (out_.has_seals || line.substr(0, first_format.size()) == first_format) return std::nullopt;
    return "its format is none that this version reads";
  }

  std::optional<std::string> link_seal(const Frame& frame, std::string_view line) {
    std::string head;
    append_head(head, frame.n, closing_utc_, closing_up_, seal_kind);
    Seal seal;
    if (auto wrong = read_seal(line, head, seal)) return wrong;
    out_.seal = seal;
    end_ = End::sealed;
    return std::nullopt;
  }

  Sha256 sha256_;
  HexDigest head_ = zero_digest();
  Verification out_;
  std::uint64_t first_of_file_ = 0;
  std::string last_place_, closing_utc_;
  Instant closing_up_;
  End end_ = End::open;
};

// A fault of a line may be what a power cut leaves: sectors that never reached the disk read as zeros. `bytes` is the file from
// the line's first byte, at `offset`, to its end.
bool torn_by_power_cut(std::string_view bytes, std::uint64_t offset) {
  constexpr std::uint64_t sector = 512;
  const std::size_t from = bytes.find('\0');
  if (from >= bytes.find('\n') || bytes.size() > most_unsynced_bytes) return false;
  const std::size_t to = std::min(bytes.find_first_not_of('\0', from), bytes.size());
  return (from == 0 || (offset + from) % sector == 0) && (to == bytes.size() || (offset + to) % sector == 0);
}

}  // namespace

Result<std::optional<TornTail>> torn_end(const std::filesystem::path& path, std::uint64_t offset) {
  auto file = open_for_reading(path);
  if (!file) return file.error();
  const auto size = size_of(*file, path);
  if (!size) return size.error();
  if (*size - offset > most_unsynced_bytes) return std::optional<TornTail>();
  auto bytes = read_from(*file, path, offset, static_cast<std::size_t>(*size - offset));
  if (!bytes) return bytes.error();
  if (!torn_by_power_cut(*bytes, offset)) return std::optional<TornTail>();
  return std::optional<TornTail>(TornTail{offset, std::move(bytes).value()});
}

namespace {

Result<bool> has_line_end(const File& file, const std::filesystem::path& path) {
  constexpr std::uint64_t block = 256 * 1024;
  const auto size = size_of(file, path);
  if (!size) return size.error();
  for (std::uint64_t at = 0; at < *size; at += block) {
    const auto bytes = read_from(file, path, at, static_cast<std::size_t>(std::min(block, *size - at)));
    if (!bytes) return bytes.error();
    if (bytes->find('\n') != std::string::npos) return true;
  }
  return false;
}

}  // namespace

Result<std::optional<Continuation>> continuation(const std::filesystem::path& first, int number) {
  const auto path = continuation_name(first, number);
  std::error_code error;
  if (!std::filesystem::exists(path, error)) return std::optional<Continuation>();
  auto file = open_for_reading(path);
  if (!file) return file.error();
  const auto finished = has_line_end(*file, path);
  if (!finished) return finished.error();
  if (!*finished) return std::optional<Continuation>();
  Lines lines(std::move(file).value(), path);
  const auto line = lines.next();
  Frame frame;
  if (line && *line && !read_frame((*line)->text, frame))
    return std::optional<Continuation>(Continuation{path, frame.n});
  const auto torn = torn_end(path, 0);
  if (!torn) return torn.error();
  if (*torn) return std::optional<Continuation>();
  return std::optional<Continuation>(Continuation{path, std::nullopt});
}

namespace {

std::optional<strict_json::Fault> parse_into(std::string_view line, Frame& frame, nlohmann::ordered_json& body) {
  if (auto fault = read_frame(line, frame)) return fault;
  return strict_json::parse(line, body);
}

// Of a Record or a SweepRecord.
template <class Any>
void fill(Any& record, const Frame& frame) {
  record.n = frame.n;
  record.utc = frame.utc;
  record.up = frame.up;
}

std::optional<std::string> ending_of(const nlohmann::ordered_json& body) {
  const auto found = body.find("ending");
  if (found == body.end() || !found->is_string()) return std::nullopt;
  return found->get<std::string>();
}

// Goes through the lines of one file, up to line `until`: behind it stands what another file holds again. `look` reads a line as
// far as the caller needs and gives what is wrong with it; `accept` is called once its place in the chain has been checked too.
template <class Look, class Accept>
Result<std::optional<TornTail>> walk_file(Chain& chain, const std::filesystem::path& path,
                                          const std::optional<Continuation>& next, const Look& look,
                                          const Accept& accept) {
  auto file = open_for_reading(path);
  if (!file) return file.error();
  Lines lines(std::move(file).value(), path);
  chain.enter(path);
  const auto give_up = [&](std::uint64_t offset, const Error& error) -> Result<std::optional<TornTail>> {
    if (next || chain.complete()) return error;
    auto torn = torn_end(path, offset);
    return torn && !*torn ? Result<std::optional<TornTail>>(error) : torn;
  };
  while (!next || !next->from_n || chain.lines() < *next->from_n) {
    const auto line = lines.next();
    if (!line && line.error().code == Errc::damaged)
      return give_up(lines.offset(), chain.damaged(lines.offset(), line.error().detail));
    if (!line) return line.error();
    if (!*line) break;
    Frame frame;
    if (const auto fault = look((*line)->text, frame))
      return give_up((*line)->offset, chain.damaged((*line)->offset, *fault));
    if (auto broken = chain.link(frame, **line)) return *broken;
    accept(**line, frame);
  }
  if (next && next->from_n && chain.lines() < *next->from_n)
    return chain.damaged(lines.offset(), "the file ends here, and " + next->file.filename().string() +
                                             " carries on from n " + std::to_string(*next->from_n));
  if (next || lines.rest().empty()) return std::optional<TornTail>();
  if (chain.complete()) return chain.damaged(lines.offset(), "something follows the last record");
  return std::optional<TornTail>(TornTail{lines.offset(), std::string(lines.rest())});
}

template <class Look, class Accept>
Result<Verification> walk(const std::filesystem::path& path, Look look, Accept accept) {
  Chain chain;
  std::filesystem::path file = path;
  for (int number = 2;; ++number) {
    const auto next = continuation(path, number);
    if (!next) return next.error();
    auto torn = walk_file(chain, file, *next, look, accept);
    if (!torn) return torn.error();
    if (!*next) return chain.verification(std::move(torn).value());
    file = (*next)->file;
  }
}

}  // namespace

Result<Record> parse_line(std::string_view line) {
  const auto damaged = [](const strict_json::Fault& fault) {
    return Error{Errc::damaged, "reading a record", fault.what + " (byte " + std::to_string(fault.at) + " of its line)",
                 ""};
  };
  if (line.size() > max_line_bytes)
    return damaged({max_line_bytes, "longer than " + std::to_string(max_line_bytes) + " bytes"});
  Record record;
  Frame frame;
  if (const auto fault = parse_into(line, frame, record.body)) return damaged(*fault);
  fill(record, frame);
  record.kind = frame.kind;
  return record;
}

Result<Verification> read(const std::filesystem::path& path, const std::function<void(const Record&)>& visit) {
  return read(path, visit, nullptr);
}

Result<Verification> read(const std::filesystem::path& path, const std::function<void(const Record&)>& visit,
                          const std::function<void(const SweepRecord&)>& visit_sweep) {
  Record record;
  SweepRecord sweep;
  bool as_sweep = false;
  std::optional<std::string> ending;
  const auto look = [&](std::string_view line, Frame& frame) -> std::optional<strict_json::Fault> {
    if (auto fault = read_frame(line, frame)) return fault;
    as_sweep = visit_sweep && frame.kind == "sweep" && read_sweep(line, sweep);
    return as_sweep ? std::nullopt : strict_json::parse(line, record.body);
  };
  const auto accept = [&](const Lines::Line& line, const Frame& frame) {
    if (as_sweep) {
      fill(sweep, frame);
      sweep.offset = line.offset;
      return visit_sweep(sweep);
    }
    fill(record, frame);
    record.kind = frame.kind;
    record.offset = line.offset;
    if (record.kind == "closing") ending = ending_of(record.body);
    visit(record);
  };
  auto out = walk(path, look, accept);
  if (out) (*out).ending = std::move(ending);
  return out;
}

Result<Verification> verify(const std::filesystem::path& path) {
  nlohmann::ordered_json closing;
  auto out = walk(
      path,
      [&](std::string_view line, Frame& frame) {
        if (auto fault = read_frame(line, frame)) return fault;
        return frame.kind == "closing" ? strict_json::parse(line, closing) : strict_json::check(line);
      },
      [](const Lines::Line&, const Frame&) {});
  if (out && closing.is_object()) (*out).ending = ending_of(closing);
  return out;
}

struct LineCheck::State {
  Chain chain;
};

LineCheck::LineCheck(const std::filesystem::path& source) : state_(std::make_unique<State>()) {
  state_->chain.enter(source);
}
LineCheck::LineCheck(LineCheck&&) noexcept = default;
LineCheck& LineCheck::operator=(LineCheck&&) noexcept = default;
LineCheck::~LineCheck() = default;

Result<void> LineCheck::accept(std::string_view line) {
  Chain& chain = state_->chain;
  const std::uint64_t offset = chain.bytes();
  if (line.size() > max_line_bytes)
    return chain.damaged(offset, "longer than " + std::to_string(max_line_bytes) + " bytes");
  Frame frame;
  if (const auto fault = read_frame(line, frame)) return chain.damaged(offset, *fault);
  if (const auto fault = strict_json::check(line)) return chain.damaged(offset, *fault);
  if (auto broken = chain.link(frame, {line, offset})) return *broken;
  return {};
}

std::uint64_t LineCheck::lines() const {
  return state_->chain.lines();
}
std::uint64_t LineCheck::bytes() const {
  return state_->chain.bytes();
}
std::string LineCheck::head() const {
  return std::string(state_->chain.head());
}
bool LineCheck::closed() const {
  return state_->chain.closed();
}
bool LineCheck::complete() const {
  return state_->chain.complete();
}

std::string sha256_hex(std::string_view bytes) {
  return std::string(view(Sha256().hex(bytes)));
}

Result<Comparison> compare(const std::filesystem::path& file, const std::filesystem::path& copy) {
  const auto first = open_for_reading(file), second = open_for_reading(copy);
  if (!first) return first.error();
  if (!second) return second.error();
  const auto bytes = size_of(*first, file), copied = size_of(*second, copy);
  if (!bytes) return bytes.error();
  if (!copied) return copied.error();
  Comparison out{*bytes, *copied, std::nullopt, std::nullopt};
  constexpr std::uint64_t block = 256 * 1024;
  std::uint64_t line = 1;
  for (std::uint64_t at = 0, end = std::min(*bytes, *copied); at < end; at += block) {
    const auto count = static_cast<std::size_t>(std::min(block, end - at));
    const auto here = read_from(*first, file, at, count), there = read_from(*second, copy, at, count);
    if (!here) return here.error();
    if (!there) return there.error();
    const auto differs = std::mismatch(here->begin(), here->end(), there->begin()).first;
    line += static_cast<std::uint64_t>(std::count(here->begin(), differs, '\n'));
    if (differs == here->end()) continue;
    out.differs_at = at + static_cast<std::uint64_t>(differs - here->begin());
    out.differs_in_line = line;
    return out;
  }
  if (*copied > *bytes) {
    out.differs_at = *bytes;
    out.differs_in_line = line;
  }
  return out;
}

Result<std::vector<std::string>> Follower::next(std::size_t limit) {
  // Looked for before the file is read to its end: once the next one is there, nothing more comes to this one.
  const auto after = continuation(first_, number_ + 1);
  if (!after) return after.error();
  auto file = open_for_reading(path_);
  if (!file) return file.error();
  const auto bytes = size_of(*file, path_);
  if (!bytes) return bytes.error();
  if (*bytes < offset_)
    return Error{Errc::damaged, "following a journal",
                 "it has become shorter: " + std::to_string(*bytes) + " bytes, and byte " + std::to_string(offset_) +
                     " had been reached",
                 path_.string()};
  Lines lines(std::move(file).value(), path_, offset_);
  std::vector<std::string> out;
  while (out.size() < limit) {
    const auto line = lines.next();
    // What came before is given first; the next call meets the same error again.
    if (!line && out.empty()) return line.error();
    if (!line || !*line) break;
    Frame frame;
    const bool framed = !read_frame((*line)->text, frame);
    // A new file begins with lines that the old one may hold too.
    if (framed && frame.n < next_n_ && number_ > 1) continue;
    if (framed) next_n_ = frame.n + 1;
    out.emplace_back((*line)->text);
  }
  offset_ = lines.offset();
  if (!out.empty() || !*after) return out;
  path_ = (*after)->file;
  ++number_;
  offset_ = 0;
  return next(limit);
}

}  // namespace nightwell::journal

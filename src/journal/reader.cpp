#include "journal/reader.hpp"

#include "journal/file.hpp"
#include "journal/frame.hpp"
#include "journal/sha256.hpp"
#include "journal/strict_json.hpp"
#include "journal/writer.hpp"

namespace nightwell::journal {

namespace {

constexpr const char* checking = "checking a journal";

// "line 18 (n 17, byte 5213)": lines count from 1, as editors and sed do.
std::string place(std::uint64_t index, std::uint64_t offset) {
  return "line " + std::to_string(index + 1) + " (n " + std::to_string(index) + ", byte " + std::to_string(offset) +
         ")";
}

std::string count_hint(std::uint64_t found, std::uint64_t expected) {
  return found > expected ? "lines before it are missing or out of order"
                          : "lines before it were added or repeated, or are out of order";
}

// What must hold from line to line: n, prev, and nothing after the closing record.
class Chain {
 public:
  explicit Chain(std::string where) : where_(std::move(where)) {}

  [[nodiscard]] std::optional<Error> link(const Frame& frame, const Lines::Line& line) {
    if (closed_) return damaged(line.offset, "it follows the closing record");
    if (frame.n != lines_)
      return damaged(line.offset, "n is " + std::to_string(frame.n) + " where " + std::to_string(lines_) +
                                      " should stand: " + count_hint(frame.n, lines_));
    if (frame.prev != view(head_)) {
      if (lines_ == 0) return damaged(line.offset, "prev of the first line is not 64 zeros");
      return damaged(line.offset, "prev is not the hash of " + place(lines_ - 1, last_offset_) +
                                      ": one of the two lines was changed");
    }
    head_ = sha256_.hex(line.text);
    last_offset_ = line.offset;
    bytes_ = line.offset + line.text.size() + 1;
    closed_ = frame.kind == "closing";
    ++lines_;
    return std::nullopt;
  }

  [[nodiscard]] Error damaged(std::uint64_t offset, const std::string& what) const {
    return {Errc::damaged, checking, place(lines_, offset) + ": " + what, where_};
  }
  [[nodiscard]] Error damaged(std::uint64_t offset, const strict_json::Fault& fault) const {
    return damaged(offset, fault.what + " (byte " + std::to_string(offset + fault.at) + ")");
  }

  [[nodiscard]] bool closed() const { return closed_; }
  [[nodiscard]] Verification verification(const Lines& lines) const {
    Verification out{lines_, bytes_, std::string(view(head_)), std::nullopt, std::nullopt};
    if (!lines.rest().empty()) out.torn = TornTail{lines.offset(), std::string(lines.rest())};
    return out;
  }

 private:
  std::string where_;
  Sha256 sha256_;
  HexDigest head_ = zero_digest();
  std::uint64_t lines_ = 0, bytes_ = 0, last_offset_ = 0;
  bool closed_ = false;
};

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

// Goes through the lines. `look` reads a line as far as the caller needs and gives what is wrong with it;
// `accept` is called once the line's place in the chain has been checked too.
template <class Look, class Accept>
Result<Verification> walk(const std::filesystem::path& path, Look look, Accept accept) {
  auto file = open_for_reading(path);
  if (!file) return file.error();
  Lines lines(std::move(file).value(), path);
  Chain chain(path.string());
  for (;;) {
    const auto line = lines.next();
    if (!line && line.error().code == Errc::damaged) return chain.damaged(lines.offset(), line.error().detail);
    if (!line) return line.error();
    if (!*line) break;
    Frame frame;
    if (const auto fault = look((*line)->text, frame)) return chain.damaged((*line)->offset, *fault);
    if (auto broken = chain.link(frame, **line)) return *broken;
    accept(**line, frame);
  }
  if (!lines.rest().empty() && chain.closed())
    return chain.damaged(lines.offset(), "something follows the closing record");
  return chain.verification(lines);
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

std::string sha256_hex(std::string_view bytes) {
  return std::string(view(Sha256().hex(bytes)));
}

Follower::Follower(std::filesystem::path path, std::uint64_t offset) : path_(std::move(path)), offset_(offset) {}

Result<std::vector<std::string>> Follower::next(std::size_t limit) {
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
    out.emplace_back((*line)->text);
  }
  offset_ = lines.offset();
  return out;
}

}  // namespace nightwell::journal

#include "relay/journal_cursor.hpp"

#include <algorithm>
#include <array>
#include <charconv>
#include <cstring>

#include "journal/frame.hpp"
#include "journal/seal.hpp"

namespace nightwell::relay {

namespace {

namespace fs = std::filesystem;

constexpr const char* doing = "reading a journal";
constexpr std::string_view format_without_seals = R"(,"format":"nightwell-journal/1")";
constexpr std::string_view prev_begin = R"("prev":")", prev_end = R"("})";

Error no_such_record(std::uint64_t n, const JournalPart& part) {
  return {Errc::out_of_range, doing, "the journal does not reach record " + std::to_string(n), part.path().string()};
}

// Whether the line is record n: it begins with {"n":N, and holds nothing but printable ASCII.
class ExpectedBegin {
 public:
  explicit ExpectedBegin(std::uint64_t n) {
    std::memcpy(text_.data(), R"({"n":)", 5);
    char* end = std::to_chars(text_.data() + 5, text_.data() + text_.size() - 1, n).ptr;
    *end++ = ',';
    size_ = static_cast<std::size_t>(end - text_.data());
  }
  [[nodiscard]] bool fits(std::string_view line) const {
    if (!line.starts_with(std::string_view(text_.data(), size_))) return false;
    unsigned char odd = 0;
    for (const char c : line)
      odd |= static_cast<unsigned char>(c < 0x20 || c == 0x7f);  // char is signed: bytes above 0x7f, too
    return odd == 0;
  }

 private:
  std::array<char, 32> text_;
  std::size_t size_ = 0;
};
static_assert(static_cast<char>(0x80) < 0, "bytes above 0x7f count as below a space here");

}  // namespace

Error JournalCursor::damaged(const std::string& what) const {
  return {Errc::damaged, doing, "record " + std::to_string(next_n_) + ": " + what, part_.path().string()};
}

Result<JournalCursor> JournalCursor::open(const fs::path& run_folder, std::uint64_t from,
                                          const std::optional<std::string>& prev, journal::Sha256& sha256) {
  auto part = JournalPart::open(run_folder, 1);
  if (!part) return part.error();
  const auto opening = part->record_at(0);
  if (!opening) return opening.error();
  const bool has_seals = !*opening || (*opening)->find(format_without_seals) == std::string::npos;
  JournalCursor cursor(run_folder, std::move(part).value(), has_seals);
  if (from > 0)
    if (auto there = cursor.go_to(from, sha256); !there) return there.error();
  if (prev && *prev != cursor.head())
    return Error{
        Errc::mismatch, doing,
        "record " + std::to_string(from - 1) + " has another hash here: the file was changed, or is another one",
        cursor.part_.path().string()};
  return cursor;
}

// Behind record n - 1, which must be there.
Result<void> JournalCursor::go_to(std::uint64_t n, journal::Sha256& sha256) {
  for (int number = 2;; ++number) {
    const auto first = first_number(run_folder_, number);
    if (!first) return first.error();
    if (!*first || **first > n - 1) break;
    auto part = JournalPart::open(run_folder_, number);
    if (!part) return part.error();
    part_ = std::move(part).value();
  }
  const auto at = part_.find(n - 1);
  if (!at) return at.error();
  if (!*at) return no_such_record(n - 1, part_);
  const auto line = part_.record_at(**at);
  if (!line) return line.error();
  if (!*line) return no_such_record(n - 1, part_);
  offset_ = **at + (*line)->size() + 1;
  next_n_ = n;
  learn(**line, sha256);
  return {};
}

// What has to be known of the line behind which the cursor stands.
void JournalCursor::learn(std::string_view line, journal::Sha256& sha256) {
  head_ = sha256.hex(line);
  journal::Frame frame;
  const bool framed = !journal::read_frame(line, frame);
  closed_ = framed && (frame.kind == journal::seal_kind || (frame.kind == "closing" && !has_seals_));
}

bool JournalCursor::follows(std::string_view line) const {
  const std::size_t tail = prev_begin.size() + head_.size() + prev_end.size();
  if (line.size() < tail) return false;
  line.remove_prefix(line.size() - tail);
  return line.starts_with(prev_begin) && line.ends_with(prev_end) &&
         line.substr(prev_begin.size(), head_.size()) == head();
}

Result<std::string_view> JournalCursor::next(LineBuffer& buffer, journal::Sha256& sha256) {
  lines_ = 0;
  for (;;) {
    // Before the file is read to its end: once the next one is there, nothing more comes to this one.
    if (auto looked = look_for_next_part(); !looked) return looked.error();
    auto lines = read_lines(buffer, sha256);
    if (!lines || !lines->empty() || !until_) return lines;
    const auto entered = enter_next_part(sha256);
    if (!entered) return entered.error();
    if (!*entered) return std::string_view();
  }
}

Result<void> JournalCursor::look_for_next_part() {
  if (until_) return {};
  auto first = first_number(run_folder_, part_.number() + 1);
  if (!first) return first.error();
  until_ = *first;
  return {};
}

// False: it does not hold the last record that was handed out yet, and will.
Result<bool> JournalCursor::enter_next_part(journal::Sha256& sha256) {
  if (next_n_ < *until_)
    return damaged("the file ends here, and the next one carries on from " + std::to_string(*until_));
  auto part = JournalPart::open(run_folder_, part_.number() + 1);
  if (!part) return part.error();
  std::uint64_t offset = 0;
  if (next_n_ > *until_) {
    // The lines that were not yet on disk stand again, the same bytes.
    const auto at = part->find(next_n_ - 1);
    if (!at) return at.error();
    if (!*at) return false;
    const auto line = part->record_at(**at);
    if (!line) return line.error();
    if (!*line) return false;
    if (journal::view(sha256.hex(**line)) != head())
      return Error{Errc::mismatch, doing, "record " + std::to_string(next_n_ - 1) + " stands there in another form",
                   part->path().string()};
    offset = **at + (*line)->size() + 1;
  }
  part_ = std::move(part).value();
  offset_ = offset;
  until_.reset();
  return true;
}

// How many bytes of `bytes` are whole lines that count on from next_n_; `last` is the last of these.
std::size_t JournalCursor::count_lines(std::string_view bytes, std::string_view& last) {
  std::size_t taken = 0;
  for (std::uint64_t n = next_n_; !until_ || n < *until_; ++n) {
    const std::size_t end = bytes.find('\n', taken);
    if (end == std::string_view::npos) break;
    const std::string_view line = bytes.substr(taken, end - taken);
    if (!ExpectedBegin(n).fits(line)) break;
    last = line;
    taken = end + 1;
    ++lines_;
  }
  return taken;
}

Result<std::string_view> JournalCursor::read_lines(LineBuffer& buffer, journal::Sha256& sha256) {
  const auto size = part_.size();
  if (!size) return size.error();
  if (*size < offset_)
    return Error{Errc::mismatch, doing,
                 "it has become shorter: " + std::to_string(*size) + " bytes, and byte " + std::to_string(offset_) +
                     " had been reached",
                 part_.path().string()};
  behind_ = *size - offset_;
  if (behind_ == 0 || (until_ && next_n_ >= *until_)) return std::string_view();
  const auto room = static_cast<std::size_t>(std::min<std::uint64_t>(behind_, LineBuffer::bytes));
  const auto got = part_.read(offset_, buffer.data(), room);
  if (!got) return got.error();
  const std::string_view bytes(buffer.data(), *got);
  std::string_view last;
  const std::size_t taken = count_lines(bytes, last);
  if (taken == 0) {
    // Unfinished, or the zeros of a power cut: nothing more has come. Anything else is no journal.
    const std::string_view line = bytes.substr(0, bytes.find('\n'));
    const bool unfinished = line.size() == bytes.size() && bytes.size() < LineBuffer::bytes;
    if (unfinished || until_ || line.find('\0') != std::string_view::npos) return std::string_view();
    return damaged("what stands there is no record of this number");
  }
  if (!follows(bytes.substr(0, bytes.find('\n')))) {
    if (handed_out_)
      return Error{Errc::mismatch, doing,
                   "record " + std::to_string(next_n_) + " does not follow the one before: the file was changed",
                   part_.path().string()};
    return damaged("prev is not the hash of the record before");
  }
  offset_ += taken;
  behind_ -= taken;
  next_n_ += lines_;
  handed_out_ = true;
  learn(last, sha256);
  return bytes.substr(0, taken);
}

}  // namespace nightwell::relay

#include "relay/journal_part.hpp"

#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <charconv>

#include "journal/composer.hpp"
#include "journal/journal.hpp"

namespace nightwell::relay {

namespace {

namespace fs = std::filesystem;

constexpr std::string_view record_begin = R"({"n":)";
constexpr std::size_t short_read = 8 * 1024;             // holds most lines
constexpr std::uint64_t largest_torn_end = 1024 * 1024;  // docs/journal.md

Error storage_error(const fs::path& path, int number) {
  return {Errc::storage, "reading a journal", journal::system_text(number), path.string()};
}

bool is_printable(std::string_view text) {
  return std::all_of(text.begin(), text.end(), [](char c) { return c >= 0x20 && c < 0x7f; });
}

}  // namespace

std::optional<std::uint64_t> record_number(std::string_view line) {
  if (!line.starts_with(record_begin) || line.size() >= longest_line || !is_printable(line)) return std::nullopt;
  line.remove_prefix(record_begin.size());
  std::uint64_t n = 0;
  const auto [end, error] = std::from_chars(line.data(), line.data() + line.size(), n);
  const bool whole = error == std::errc() && end != line.data() + line.size() && *end == ',';
  const bool one_spelling = whole && (line[0] != '0' || end == line.data() + 1);
  return one_spelling ? std::optional(n) : std::nullopt;
}

Result<JournalPart> JournalPart::open(const fs::path& run_folder, int number) {
  const fs::path first = run_folder / "journal.ndjson";
  const fs::path path = number == 1 ? first : journal::continuation_name(first, number);
  auto file = journal::open_for_reading(path);
  if (!file) return file.error();
  return JournalPart(path, number, std::move(file).value());
}

Result<std::uint64_t> JournalPart::size() const {
  struct stat held {
  }, named{};
  if (::fstat(file_.fd(), &held) != 0) return storage_error(path_, errno);
  const auto changed = [&](const char* what) {
    return Error{Errc::mismatch, "reading a journal", what, path_.string()};
  };
  if (::stat(path_.c_str(), &named) != 0)
    return errno == ENOENT ? changed("it is no longer there") : storage_error(path_, errno);
  if (held.st_dev != named.st_dev || held.st_ino != named.st_ino) return changed("another file stands in its place");
  return static_cast<std::uint64_t>(held.st_size);
}

Result<std::size_t> JournalPart::read(std::uint64_t offset, char* into, std::size_t room) const {
  std::size_t have = 0;
  while (have < room) {
    const ssize_t got = ::pread(file_.fd(), into + have, room - have, static_cast<off_t>(offset + have));
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) return storage_error(path_, errno);
    if (got == 0) break;
    have += static_cast<std::size_t>(got);
  }
  return have;
}

Result<std::optional<std::string>> JournalPart::record_at(std::uint64_t offset) const {
  std::string bytes;
  for (const std::size_t room : {short_read, longest_line}) {
    bytes.resize(room);
    const auto got = read(offset, bytes.data(), room);
    if (!got) return got.error();
    bytes.resize(*got);
    if (const auto end = bytes.find('\n'); end != std::string::npos) {
      bytes.resize(end);
      return record_number(bytes) ? std::optional(std::move(bytes)) : std::nullopt;
    }
    if (*got < room) break;
  }
  return std::optional<std::string>();
}

// Where the first line that begins behind `offset` begins; nullopt: none does before `end`.
Result<std::optional<std::uint64_t>> JournalPart::line_behind(std::uint64_t offset, std::uint64_t end) const {
  char bytes[short_read];
  while (offset < end) {
    const auto got = read(offset, bytes, static_cast<std::size_t>(std::min<std::uint64_t>(sizeof bytes, end - offset)));
    if (!got) return got.error();
    const char* found = std::find(bytes, bytes + *got, '\n');
    offset += static_cast<std::uint64_t>(found - bytes) + 1;
    if (found != bytes + *got) return offset < end ? std::optional(offset) : std::nullopt;
    if (*got == 0) break;
    --offset;
  }
  return std::optional<std::uint64_t>();
}

Result<std::optional<std::uint64_t>> JournalPart::find(std::uint64_t n) const {
  using Found = std::optional<std::uint64_t>;
  const auto bytes = size();
  if (!bytes) return bytes.error();
  // The line begins in [low, high), if at all; a line begins at low.
  std::uint64_t low = 0, high = *bytes;
  while (high - low > longest_line) {
    const std::uint64_t middle = low + (high - low) / 2;
    const auto begin = line_behind(middle, high);
    if (!begin) return begin.error();
    Result<std::optional<std::string>> line = std::optional<std::string>();
    if (*begin) line = record_at(**begin);
    if (!line) return line.error();
    // What is no record stands at a torn end: behind all that can be looked for.
    const auto number = *line ? record_number(**line) : std::nullopt;
    if (number && *number <= n)
      low = **begin;
    else
      high = middle + 1;
  }
  for (;;) {
    const auto line = record_at(low);
    if (!line) return line.error();
    if (!*line) return Found();
    const std::uint64_t number = *record_number(**line);
    if (number >= n) return number == n ? Found(low) : Found();
    low += (*line)->size() + 1;
  }
}

// The last record among the lines from `offset` on, where one begins; nullopt: there is none.
Result<std::optional<JournalPart::Last>> JournalPart::last_from(std::uint64_t offset, std::uint64_t end) const {
  std::optional<Last> out;
  while (offset < end) {
    auto line = record_at(offset);
    if (!line) return line.error();
    if (!*line) break;
    offset += (*line)->size() + 1;
    const std::uint64_t n = *record_number(**line);
    out = Last{std::move(**line), n, offset};
  }
  return out;
}

Result<std::optional<JournalPart::Last>> JournalPart::last() const {
  const auto bytes = size();
  if (!bytes) return bytes.error();
  // Nearly always the last lines are sound; a torn end may be longer.
  for (const std::uint64_t tail : {std::uint64_t{short_read}, 2 * std::uint64_t{longest_line}, 2 * largest_torn_end}) {
    const std::uint64_t from = *bytes > tail ? *bytes - tail : 0;
    Result<std::optional<std::uint64_t>> begin = std::optional<std::uint64_t>(0);
    if (from > 0) begin = line_behind(from, *bytes);
    if (!begin) return begin.error();
    if (!*begin) continue;
    auto found = last_from(**begin, *bytes);
    if (!found || *found || from == 0) return found;
  }
  return std::optional<Last>();
}

Result<std::optional<std::uint64_t>> first_number(const fs::path& run_folder, int number) {
  using Number = std::optional<std::uint64_t>;
  const auto part = JournalPart::open(run_folder, number);
  if (!part && part.error().code == Errc::not_found) return Number();
  if (!part) return part.error();
  const auto line = part->record_at(0);
  if (!line) return line.error();
  return *line ? record_number(**line) : Number();
}

}  // namespace nightwell::relay

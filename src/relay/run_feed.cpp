#include "relay/run_feed.hpp"

#include <sys/stat.h>

#include <algorithm>

#include "journal/file.hpp"
#include "journal/frame.hpp"
#include "journal/look.hpp"

namespace nightwell::relay {

RunFeed::RunFeed(std::string id, const std::filesystem::path& journal)
    : id_(std::move(id)), first_(journal), path_(journal) {}

std::size_t RunFeed::read(std::size_t lines) {
  if (over() || lines == 0) return 0;
  const std::uint64_t before = next_n_;
  const auto done = read_on(lines);
  std::optional<std::string> trouble;
  if (!done) {
    trouble = done.error().detail;  // without the path: which folders the lab has is nobody's business
    damaged_ = done.error().code == Errc::damaged;
  }
  const bool caught_up = caught_up_ || (done && *done < lines);
  if (next_n_ != before || trouble != trouble_ || caught_up != caught_up_) ++changes_;
  trouble_ = std::move(trouble);
  caught_up_ = caught_up;
  return done ? *done : 0;
}

Error RunFeed::damaged(const std::string& what) const {
  return {Errc::damaged, "reading a journal",
          "record " + std::to_string(next_n_) + ": " + what + " (`nightwell verify` tells more)", path_.string()};
}

Result<std::size_t> RunFeed::read_on(std::size_t lines) {
  std::size_t read = 0;
  for (;;) {
    // Looked for before the file is read to its end: once the next one is there, nothing more comes to this one.
    const auto next = journal::continuation(first_, number_ + 1);
    if (!next) return next.error();
    const auto done = read_file(lines - read, *next);
    if (!done) return done.error();
    read += *done;
    if (read == lines || over_ || !*next) return read;
    const auto from_n = (*next)->from_n.value_or(next_n_);
    if (next_n_ < from_n)
      return damaged("the file ends here, and " + (*next)->file.filename().string() + " carries on from record " +
                     std::to_string(from_n));
    path_ = (*next)->file;
    ++number_;
    offset_ = 0;
    again_ = next_n_ - from_n;
  }
}

// Up to where `next` carries on; how many lines.
Result<std::size_t> RunFeed::read_file(std::size_t lines, const std::optional<journal::Continuation>& next) {
  auto file = journal::open_for_reading(path_);
  if (!file) return file.error();
  const auto size = journal::size_of(*file, path_);
  if (!size) return size.error();
  if (*size < offset_)
    return damaged("the file has become shorter: " + std::to_string(*size) + " bytes, and byte " +
                   std::to_string(offset_) + " had been reached");
  journal::Lines from(std::move(file).value(), path_, offset_);
  std::size_t read = 0;
  while (read < lines && !over_ && !(next && next->from_n && next_n_ >= *next->from_n)) {
    const auto line = from.next();
    if (!line && line.error().code != Errc::damaged) return line.error();
    if (line && !*line) break;
    if (const auto fault = line ? take((*line)->text) : line.error().detail) {
      if (next) return damaged(*fault);
      const auto torn = journal::torn_end(path_, offset_);
      if (!torn) return torn.error();
      if (*torn) break;
      return damaged(*fault);
    }
    offset_ = from.offset();
    ++read;
  }
  return read;
}

// What is wrong with it.
std::optional<std::string> RunFeed::take(std::string_view line) {
  journal::Frame frame;
  if (const auto fault = journal::read_frame(line, frame)) return "this line is none: " + fault->what;
  if (frame.n != next_n_ - again_) return "the line has the number " + std::to_string(frame.n);
  if (again_ > 0) {
    --again_;
    return std::nullopt;
  }
  if (frame.prev != journal::view(head_)) return "its prev is not the hash of the record before";
  if (frame.kind == "sweep" && journal::read_sweep(line, sweep_)) {
    sweep_.n = frame.n;
    sweep_.utc = frame.utc;
    sweep_.up = frame.up;
    digester_.take(sweep_);
  } else {
    const auto record = journal::parse_line(line);
    if (!record) return record.error().detail;
    if (record->n == 0) has_seals_ = journal::raw_text_at(record->body, "format") != "nightwell-journal/1";
    digester_.take(*record);
    over_ = record->kind == (has_seals_ ? "seal" : "closing");
  }
  head_ = sha256_.hex(line);
  ++next_n_;
  return std::nullopt;
}

RunView RunFeed::view(std::chrono::system_clock::time_point now) const {
  RunView out;
  out.id = id_;
  out.digest = &digest();
  out.trouble = trouble_;
  out.damaged = damaged_;
  using namespace std::chrono;
  struct stat file {};
  if (::stat(path_.c_str(), &file) == 0 && S_ISREG(file.st_mode)) {
    const auto changed = seconds{file.st_mtim.tv_sec} + nanoseconds{file.st_mtim.tv_nsec};
    seen_ = {system_clock::time_point(duration_cast<system_clock::duration>(changed)),
             static_cast<std::uint64_t>(file.st_size)};
  }
  if (seen_.changed != system_clock::time_point{})
    out.age_s = std::max(0.0, duration<double>(now - seen_.changed).count());
  out.bytes = seen_.bytes;
  out.read_bytes = caught_up_ ? out.bytes : offset_;
  return out;
}

}  // namespace nightwell::relay

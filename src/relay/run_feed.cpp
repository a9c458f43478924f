#include "relay/run_feed.hpp"

#include <sys/stat.h>

#include "journal/frame.hpp"
#include "journal/look.hpp"

namespace nightwell::relay {

RunFeed::RunFeed(std::string id, const std::filesystem::path& journal) : id_(std::move(id)), follower_(journal) {}

std::size_t RunFeed::read(std::size_t lines) {
  if (over() || lines == 0) return 0;
  const auto found = follower_.next(lines);
  if (!found) {
    trouble_ = found.error().text();
    ++changes_;
    return 0;
  }
  for (const std::string& line : *found) {
    trouble_ = take(line);
    ++changes_;
    if (over()) break;
  }
  if (found->size() < lines && !caught_up_) {
    caught_up_ = true;
    ++changes_;
  }
  return found->size();
}

std::optional<std::string> RunFeed::take(const std::string& line) {
  const auto wrong = [&](const std::string& what) {
    return "record " + std::to_string(next_n_) + ": " + what + " (`nightwell verify` tells more)";
  };
  journal::Frame frame;
  if (const auto fault = journal::read_frame(line, frame)) return wrong("this line is none: " + fault->what);
  if (frame.n != next_n_) return wrong("the line has the number " + std::to_string(frame.n));
  if (frame.prev != journal::view(head_)) return wrong("its prev is not the hash of the record before");
  if (frame.kind == "sweep" && journal::read_sweep(line, sweep_)) {
    sweep_.n = frame.n;
    sweep_.utc = frame.utc;
    sweep_.up = frame.up;
    digester_.take(sweep_);
  } else {
    const auto record = journal::parse_line(line);
    if (!record) return wrong(record.error().detail);
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
  struct stat file {};
  if (::stat(follower_.path().c_str(), &file) != 0) return out;
  using namespace std::chrono;
  const auto changed = seconds{file.st_mtim.tv_sec} + nanoseconds{file.st_mtim.tv_nsec};
  out.age_s = std::max(0.0, duration<double>(now.time_since_epoch() - changed).count());
  out.bytes = static_cast<std::uint64_t>(file.st_size);
  out.read_bytes = caught_up_ ? out.bytes : follower_.offset();
  return out;
}

}  // namespace nightwell::relay

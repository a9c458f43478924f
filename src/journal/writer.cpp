#include "journal/writer.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <nlohmann/json.hpp>

#include "journal/frame.hpp"
#include "journal/strict_json.hpp"

namespace nightwell::journal {

namespace {

constexpr const char* creating = "creating a journal";
constexpr const char* appending = "appending to a journal";
constexpr const char* syncing = "syncing a journal";

constexpr std::array<std::string_view, 5> frame_keys = {"n", "utc", "up_s", "kind", "prev"};

// The file's name is only on disk once its directory is.
bool sync_directory_of(const std::filesystem::path& path) {
  const auto parent = path.has_parent_path() ? path.parent_path() : std::filesystem::path(".");
  const File directory{::open(parent.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC)};
  return directory.fd() >= 0 && ::fsync(directory.fd()) == 0;
}

}  // namespace

Result<Writer> Writer::create(const std::filesystem::path& path) {
  const auto failed = [&](int number) { return Error{Errc::storage, creating, system_text(number), path.string()}; };
  File file{::open(path.c_str(), O_WRONLY | O_APPEND | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0640)};
  if (file.fd() < 0 && errno == EEXIST)
    return Error{Errc::storage, creating, "a file is there already; each run has its own journal", path.string()};
  if (file.fd() < 0) return failed(errno);
  // fchmod: the umask must not keep the group, which may read journals, out.
  if (::fchmod(file.fd(), 0640) != 0 || !sync_directory_of(path)) {
    const int number = errno;
    ::unlink(path.c_str());
    return failed(number);
  }
  return Writer(path, std::move(file));
}

Writer::Writer(std::filesystem::path path, File file)
    : path_(std::move(path)), file_(std::move(file)), head_(view(zero_digest())) {}

Error Writer::die(const char* doing, const std::string& reason) {
  failed_ = Error{Errc::storage, doing, reason, path_.string()};
  return *failed_;
}

std::optional<Error> Writer::compose(std::string_view kind, const nlohmann::ordered_json& fields, const Stamp& stamp) {
  const auto refused = [&](std::string reason) {
    return Error{Errc::bad_input, appending, std::move(reason), path_.string()};
  };
  if (closed_) return refused("the closing record is written; nothing may follow it");
  if (!is_kind(kind)) return refused("a kind is 1 to 32 lower-case letters and underscores");
  const std::string record = "a record of kind " + std::string(kind) + ": ";
  if (!is_utc(stamp.utc)) return refused(record + "utc must look like 2026-03-01T21:14:05.000250Z");
  if (stamp.up.since_open.count() < 0) return refused(record + "up_s is negative");
  if (!fields.is_object()) return refused(record + "its fields are no JSON object");
  for (const std::string_view key : frame_keys)
    if (fields.contains(key)) return refused(record + "the key " + std::string(key) + " is the journal's own");

  line_.clear();
  append_head(line_, next_, stamp.utc, stamp.up, kind);
  if (!fields.empty()) {
    // The fields' opening brace becomes the comma behind the head, and their closing brace goes.
    const std::size_t brace = line_.size();
    if (const auto wrong = strict_json::append(line_, fields)) return refused(record + *wrong);
    line_[brace] = ',';
    line_.pop_back();
  }
  append_prev(line_, head_);
  if (line_.size() > max_line_bytes)
    return refused(record + std::to_string(line_.size()) + " bytes, and a line has room for " +
                   std::to_string(max_line_bytes));
  return std::nullopt;
}

Result<std::uint64_t> Writer::append(std::string_view kind, const nlohmann::ordered_json& fields, const Stamp& stamp) {
  if (failed_) return *failed_;
  if (auto refused = compose(kind, fields, stamp)) return *refused;
  const HexDigest digest = sha256_.hex(line_);
  line_ += '\n';
  ssize_t written = 0;
  do {
    written = ::write(file_.fd(), line_.data(), line_.size());
  } while (written < 0 && errno == EINTR);  // nothing was written yet
  if (written < 0) return die(appending, system_text(errno));
  // A nearly full disk takes part of a line. The rest must not follow later: what comes then is torn as well.
  if (static_cast<std::size_t>(written) != line_.size())
    return die(appending, "only " + std::to_string(written) + " of " + std::to_string(line_.size()) +
                              " bytes were taken: the disk is full, or the file has a size limit");
  head_.assign(view(digest));
  closed_ = kind == "closing";
  return next_++;
}

Result<void> Writer::sync() {
  if (failed_) return *failed_;
  // Never tried again: after a failed fdatasync the kernel may have dropped the pages, and a second call
  // would say that all is well.
  if (::fdatasync(file_.fd()) != 0) return die(syncing, system_text(errno));
  return {};
}

}  // namespace nightwell::journal

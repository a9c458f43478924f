#include "journal/composer.hpp"

#include <array>
#include <nlohmann/json.hpp>

#include "journal/frame.hpp"
#include "journal/seal.hpp"
#include "journal/strict_json.hpp"

namespace nightwell::journal {

namespace {

constexpr std::array<std::string_view, 5> frame_keys = {"n", "utc", "up_s", "kind", "prev"};

}  // namespace

Error Composer::refused(std::string reason) const {
  return {Errc::bad_input, "appending to a journal", std::move(reason), where_};
}

Result<std::string_view> Composer::compose(std::string_view kind, const nlohmann::ordered_json& fields,
                                           const Stamp& stamp) {
  if (end_ != End::open) return refused("the closing record is written; nothing may follow it");
  if (kind == seal_kind) return refused("a seal stands behind the closing record only");
  if (auto wrong = write_line(kind, fields, stamp)) return *wrong;
  end_then_ = kind == "closing" ? End::closed : End::open;
  if (end_then_ == End::closed) closing_ = stamp;
  return std::string_view(line_);
}

Result<std::string_view> Composer::compose_seal(const SigningKey* key) {
  if (end_ != End::closed) return refused("a seal stands behind the closing record, once");
  // Its stamp is the closing record's: without a signature every byte of this line follows from the lines before it, so
  // that a changed one shows.
  if (auto wrong = write_line(seal_kind, seal_fields(key), closing_)) return *wrong;
  if (key) {
    line_.pop_back();
    if (auto wrong = sign(line_, *key)) return refused(std::move(*wrong));
    line_ += '\n';
  }
  end_then_ = End::sealed;
  return std::string_view(line_);
}

std::optional<Error> Composer::write_line(std::string_view kind, const nlohmann::ordered_json& fields,
                                          const Stamp& stamp) {
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
  append_prev(line_, view(head_));
  if (line_.size() > max_line_bytes)
    return refused(record + std::to_string(line_.size()) + " bytes, and a line has room for " +
                   std::to_string(max_line_bytes));
  line_ += '\n';
  return std::nullopt;
}

void Composer::accept() {
  head_ = sha256_.hex(std::string_view(line_).substr(0, line_.size() - 1));
  end_ = end_then_;
  ++next_;
}

}  // namespace nightwell::journal

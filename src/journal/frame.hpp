// What stands around a record's own fields in its line: n, utc, up_s, kind in front, prev at the end.
//
//   {"n":17,"utc":"2026-03-01T21:14:05.000250Z","up_s":61.500000,"kind":"sweep", … ,"prev":"<64 hex>"}
//
// Found by place, without reading the fields between. One spelling each: no white space, no leading zeros,
// six decimals. docs/journal.md has the format.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "journal/strict_json.hpp"
#include "nightwell/time.hpp"

namespace nightwell::journal {

struct Frame {
  std::uint64_t n = 0;
  std::string_view utc;
  Instant up;
  std::string_view kind;
  std::string_view prev;
};

// 27 characters: 2026-03-01T21:14:05.000250Z.
[[nodiscard]] bool is_utc(std::string_view text);

// 1 to 32 lower-case letters and underscores.
[[nodiscard]] bool is_kind(std::string_view text);

// Reads the frame of a line without LF; the views point into it. Says nothing about the fields between.
[[nodiscard]] std::optional<strict_json::Fault> read_frame(std::string_view line, Frame& frame);

// `{"n":…,"kind":"…"` of a line; the fields and append_prev follow. `up` is not negative.
void append_head(std::string& out, std::uint64_t n, std::string_view utc, Instant up, std::string_view kind);
void append_prev(std::string& out, std::string_view prev);

}  // namespace nightwell::journal

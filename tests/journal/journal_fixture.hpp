// A folder of its own for each test, and a small journal in it.
#pragma once

#include <catch2/catch.hpp>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <vector>

#include "journal/reader.hpp"
#include "journal/writer.hpp"
#include "support/temporary_folder.hpp"

namespace nightwell::journal::fixture {

using Folder = tests::TemporaryFolder;

inline std::string bytes_of(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream out;
  out << file.rdbuf();
  return out.str();
}

inline void write_bytes(const std::filesystem::path& path, const std::string& bytes) {
  // A new file each time: some file systems sync one that is cut to nothing and written again.
  std::error_code none;
  std::filesystem::remove(path, none);
  std::ofstream(path, std::ios::binary) << bytes;
}

inline Stamp stamp(int seconds) {
  return {"2026-03-01T21:14:05.000250Z", Instant{std::chrono::seconds(seconds) + Duration{250}}};
}

// Six records: opening, card, two sweeps, a plateau, closing.
inline void write_small_journal(const std::filesystem::path& path) {
  using Json = nlohmann::ordered_json;
  auto writer = Writer::create(path);
  REQUIRE(writer);
  const auto append = [&](const char* kind, const Json& fields) {
    REQUIRE((*writer).append(kind, fields, stamp(static_cast<int>((*writer).count()))));
  };
  append("opening", {{"format", "nightwell-journal/1"}, {"run", "cold-store-0301"}});
  append("card", {{"channel", 0}, {"serial", "SB-P-01"}, {"u95_k", 0.012}});
  append("sweep", {{"sweep", 0}, {"at_s", {0.0, 0.25}}, {"raw", {100.390512, nullptr}}});
  append("sweep", {{"sweep", 1}, {"at_s", {0.0, 0.25}}, {"raw", {100.390498, 109.7}}});
  append("plateau", {{"plateau", 0}, {"outcome", "settled"}});
  append("closing", {{"ending", "finished"}, {"why", ""}});
  REQUIRE((*writer).sync());
}

inline std::vector<std::string> lines_of(const std::string& bytes) {
  std::vector<std::string> lines;
  std::istringstream in(bytes);
  for (std::string line; std::getline(in, line);) lines.push_back(line);
  return lines;
}

inline std::string joined(const std::vector<std::string>& lines) {
  std::string out;
  for (const auto& line : lines) out += line + "\n";
  return out;
}

// Where line `index` (from 0) starts.
inline std::size_t offset_of(const std::string& bytes, std::size_t index) {
  std::size_t at = 0;
  while (index-- > 0) at = bytes.find('\n', at) + 1;
  return at;
}

}  // namespace nightwell::journal::fixture

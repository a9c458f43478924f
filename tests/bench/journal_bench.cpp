// What a journal costs, as ratios to hashing the same bytes on the same machine at the same time: a number
// that means the same on a slow machine.
//
//   append   composing, hashing and writing a night's records, against SHA-256 of the same lines one by one
//   verify   verify() of the file, warm, against SHA-256 of the file in one piece and against SHA-256 line by
//   line read     read() of the file
//
// Method: each measured thing alternates with its yardstick, 7 rounds; the fastest round of each counts.
// Times include the operating system's work; the folder should be on a file system that takes no part of its
// own (tmpfs). Usage: journal_bench [FOLDER [CHANNELS [SWEEPS]]]

#include <openssl/evp.h>
#include <unistd.h>

#include <algorithm>
#include <charconv>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <string_view>
#include <vector>

#include "journal/reader.hpp"
#include "journal/sha256.hpp"
#include "journal/writer.hpp"

using namespace nightwell;
using Json = nlohmann::ordered_json;

namespace {

constexpr int rounds = 7;

template <class Work>
double seconds_of(Work work) {
  const auto from = std::chrono::steady_clock::now();
  work();
  return std::chrono::duration<double>(std::chrono::steady_clock::now() - from).count();
}

// A sweep of the night: resistances that drift, as an instrument with eight digits gives them.
Json sweep_fields(std::size_t sweep, std::size_t channels) {
  std::vector<double> at_s, raw;
  for (std::size_t i = 0; i < channels; ++i) {
    at_s.push_back(static_cast<double>(i) * 0.025);
    raw.push_back(std::round((100.0 + 0.39 * std::sin(static_cast<double>(sweep * channels + i))) * 1e6) / 1e6);
  }
  return {{"sweep", sweep},
          {"order", "mirrored"},
          {"purpose", "capture"},
          {"plateau", 3},
          {"started_s", static_cast<double>(sweep)},
          {"at_s", at_s},
          {"raw", raw},
          {"faults", Json::object()},
          {"odd", Json::object()}};
}

void write_night(const std::filesystem::path& path, const std::vector<Json>& sweeps) {
  std::filesystem::remove(path);
  auto writer = journal::Writer::create(path);
  if (!writer) std::fprintf(stderr, "%s\n", writer.error().text().c_str()), std::exit(1);
  std::int64_t us = 0;
  if (!(*writer).append("opening", {{"format", "nightwell-journal/1"}}, {"2026-03-01T21:14:05.000250Z", Instant{}}))
    std::exit(1);
  for (const auto& fields : sweeps)
    if (!(*writer).append("sweep", fields, {"2026-03-01T21:14:05.000250Z", Instant{Duration{us += 1'000'000}}}))
      std::exit(1);
}

std::string bytes_of(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream out;
  out << file.rdbuf();
  return out.str();
}

void hash_lines(std::string_view bytes) {
  journal::Sha256 sha256;
  unsigned char seen = 0;
  while (!bytes.empty()) {
    const std::size_t stop = bytes.find('\n');
    seen = static_cast<unsigned char>(seen ^ sha256.hex(bytes.substr(0, stop))[0]);
    bytes.remove_prefix(stop + 1);
  }
  if (seen == 255) std::puts("");  // keeps the work from being left out
}

void hash_whole(std::string_view bytes) {
  unsigned char digest[32];
  unsigned length = 0;
  EVP_Digest(bytes.data(), bytes.size(), digest, &length, EVP_sha256(), nullptr);
  if (length != 32) std::exit(1);
}

std::size_t argument(int count, char** texts, int index, std::size_t otherwise) {
  if (index >= count) return otherwise;
  const std::string_view text = texts[index];
  std::size_t value = otherwise;
  std::from_chars(text.data(), text.data() + text.size(), value);
  return value;
}

struct Best {
  double seconds = 1e9;
  template <class Work>
  void round(Work work) {
    seconds = std::min(seconds, seconds_of(work));
  }
};

}  // namespace

int main(int count, char** texts) {
  const std::filesystem::path folder = count > 1 ? texts[1] : "/dev/shm";
  const std::size_t channels = argument(count, texts, 2, 40);
  const std::size_t sweeps = argument(count, texts, 3, 50'400);
  const auto path = folder / ("nightwell-bench-" + std::to_string(::getpid()) + ".ndjson");
  std::vector<Json> night;
  for (std::size_t i = 0; i < sweeps; ++i) night.push_back(sweep_fields(i, channels));

  Best append, whole, lines, verified, read;
  for (int i = 0; i < rounds; ++i) {
    append.round([&] { write_night(path, night); });
    const std::string bytes = bytes_of(path);
    lines.round([&] { hash_lines(bytes); });
    verified.round([&] {
      if (!journal::verify(path)) std::exit(1);
    });
    whole.round([&] { hash_whole(bytes); });
    read.round([&] {
      if (!journal::read(path, [](const journal::Record&) {})) std::exit(1);
    });
  }
  const double megabytes = static_cast<double>(std::filesystem::file_size(path)) / 1e6;
  std::filesystem::remove(path);
  std::printf("%zu sweeps of %zu channels, %.1f MB, %.0f bytes a line\n", sweeps, channels, megabytes,
              1e6 * megabytes / static_cast<double>(sweeps));
  const auto row = [&](const char* name, const Best& best) {
    std::printf("%-16s %8.1f MB/s %8.2f us a line %6.2f x hashing whole %6.2f x hashing lines\n", name,
                megabytes / best.seconds, 1e6 * best.seconds / static_cast<double>(sweeps),
                best.seconds / whole.seconds, best.seconds / lines.seconds);
  };
  row("hash whole", whole);
  row("hash by line", lines);
  row("append", append);
  row("verify", verified);
  row("read", read);
}

// The texts that a run is made of: profile, bench, job and the sensor cards that the job names, read once, so that what
// was checked is what is run, and what the journal's hashes stand for.
#pragma once

#include <map>
#include <nlohmann/json_fwd.hpp>
#include <string>

#include "nightwell/result.hpp"
#include "plan/fault.hpp"

namespace nightwell::plan {

// No input file may be larger; no card in a job's list may be one more than this.
inline constexpr std::size_t largest_file_bytes = std::size_t{1} << 20;
inline constexpr std::size_t largest_number_of_cards = 1500;

struct FileText {
  std::string name;  // for messages and for the journal's list of hashes
  std::string text;
};

struct InputFiles {
  FileText profile, bench, job;
  std::map<std::string, FileText> cards;  // by the path as written in the job
  std::string bench_folder;               // absolute: where relative pty paths of the bench start
};

struct Gathered {
  InputFiles files;
  Faults faults;  // files that are missing, unreadable or too large; a card's stands at the job's /items/2/card
};

// Reads the three files and the cards that the job names (relative to the job's folder). A job that cannot be parsed
// names no cards; load() says what is wrong with it.
[[nodiscard]] Gathered gather(const std::string& profile_path, const std::string& bench_path,
                              const std::string& job_path);

// As `files` travels in a start request: {"profile": {"name", "text"}, "bench": …, "job": …,
// "cards": {"cards/r1.json": {"name", "text"}}, "bench_folder": "/…"}.
[[nodiscard]] nlohmann::ordered_json files_to_json(const InputFiles& files);

// Errors: bad_input, with the place as a pointer in `where`.
[[nodiscard]] Result<InputFiles> files_from_json(const nlohmann::ordered_json& json);

}  // namespace nightwell::plan

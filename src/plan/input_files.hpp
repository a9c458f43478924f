// The texts of the files that make a plan: read from disk on one side, sent as JSON, and checked on both.
//
// Errors of reading are no errors here: a file that could not be read says why in `unread`, and load() turns that
// into a located fault beside all the others.
#pragma once

#include <cstddef>
#include <filesystem>
#include <map>
#include <nlohmann/json_fwd.hpp>
#include <string>

#include "nightwell/result.hpp"
#include "plan/file_text.hpp"
#include "plan/program_files.hpp"

namespace nightwell::plan {

inline constexpr std::size_t most_cards = 1100;   // as many as a job can name, and a few
inline constexpr std::size_t most_dialects = 48;  // as many as a bench has instruments
inline constexpr std::size_t most_programs = 48;  // likewise

struct InputFiles {
  FileText profile, bench, job;
  std::map<std::string, FileText> cards;        // and the budget: by the path as written in the job
  std::map<std::string, FileText> dialects;     // by the path as written in the bench
  std::map<std::string, ProgramFile> programs;  // likewise
  std::string bench_directory;  // absolute; where a relative path of a pseudo-terminal starts; may be empty
};

// Reads the three files, the cards and the budget that the job names (relative to the job file), and the dialects and
// driver programs that the bench names (relative to the bench file). Reads regular files only.
[[nodiscard]] InputFiles gather(const std::filesystem::path& profile, const std::filesystem::path& bench,
                                const std::filesystem::path& job);

// What the control socket carries. Bytes that are not UTF-8 do not fit into JSON: such a file is sent as unread.
[[nodiscard]] nlohmann::ordered_json files_to_json(const InputFiles& files);

// Errors: bad_input (a key is missing or unknown, or has the wrong type; more than most_cards cards, most_dialects dialects or
// most_programs programs; a text larger than largest_file).
[[nodiscard]] Result<InputFiles> files_from_json(const nlohmann::ordered_json& json);
[[nodiscard]] Result<InputFiles> files_from_json(const nlohmann::json& json);

}  // namespace nightwell::plan

// What an instrument was told and what it said, one line a message, written through at once.
//
// Line: simulated seconds (six decimals), UTC, the line received, the reply, the fault that changed it;
// separated by tabs, absent fields empty. Bytes outside printable ASCII, and the backslash, are written as
// \xNN.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "drivers/sim/line_end.hpp"
#include "drivers/sim/respondent.hpp"
#include "nightwell/result.hpp"

namespace nightwell::sim {

class CommandLog {
 public:
  // Starts `file` anew. Errors: storage.
  Result<void> open(const std::filesystem::path& file);
  void write(const Exchange& exchange) const;

 private:
  Descriptor file_;
};

[[nodiscard]] std::string printable(std::string_view bytes);

// Writes the sensors' true errors and the sources' axial differences as JSON. Errors: storage.
Result<void> write_truth(const Config& config, const std::filesystem::path& file);

}  // namespace nightwell::sim

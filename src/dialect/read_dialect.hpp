// Dialect files -> dialects. The format: docs/dialects.md.
//
// Pure: a function of the text. One call finds every fault, each located by file and JSON pointer as in all files
// (plan/fault.hpp). A heat source's or a scanner's command that the program needs and the file lacks is a fault that
// names the command; a command that nothing uses is one too.
#pragma once

#include <memory>
#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>

#include "dialect/dialect.hpp"
#include "nightwell/result.hpp"

namespace nightwell::plan {
class FaultList;
}

namespace nightwell::dialect {

inline constexpr const char* dialect_format = "nightwell-dialect/1";
inline constexpr std::size_t longest_dialect = 40 * 1024;  // bytes as compact JSON in ASCII: it travels in one line

// Adds its faults; what is given back is a dialect only where it added none.
[[nodiscard]] Dialect read_dialect(const nlohmann::json& document, const std::string& file, plan::FaultList& faults);

// A dialect from the compact text that a plan carries. bad_input: the first fault.
[[nodiscard]] Result<std::shared_ptr<const Dialect>> dialect_from(std::string_view json);

}  // namespace nightwell::dialect

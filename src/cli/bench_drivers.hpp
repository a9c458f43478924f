// The drivers that a bench file names, each looked at by itself: what else is wrong in the bench does not matter here.
#pragma once

#include <filesystem>
#include <string>
#include <variant>
#include <vector>

#include "dialect/dialect.hpp"
#include "instrument/registry.hpp"
#include "plan/fault.hpp"

namespace nightwell::cli {

struct BenchDriver {
  std::string instrument;
  dialect::Role role = dialect::Role::scanner;
  std::string driver;               // "scpi-source", "bath-4, revision 1", "program"; untrusted
  std::string file;                 // of a dialect or a program: where it lies; untrusted
  std::string trouble;              // why it cannot be loaded; empty: it can
  std::vector<plan::Fault> faults;  // of a dialect, each at its place
};

// In the order of their names, scanners first; attended sources have none. Faults: the bench is no JSON object.
[[nodiscard]] std::variant<std::vector<BenchDriver>, std::vector<plan::Fault>> bench_drivers(
    const std::filesystem::path& bench, const instrument::Registry& registry);

}  // namespace nightwell::cli

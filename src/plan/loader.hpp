// Profile, bench, job and sensor cards -> plan. The formats: docs/files.md.
//
// Pure: a function of the texts and of the date it is given; touches no file, port or clock. One call finds every
// fault: each file is read as far as it is JSON, and the checks between files run as far as their parts are sound.
// Faults stand in the order profile, bench, job, cards, then what only their combination shows.
#pragma once

#include <cstddef>
#include <string>
#include <variant>
#include <vector>

#include "plan/fault.hpp"
#include "plan/input_files.hpp"
#include "sequence/plan.hpp"

namespace nightwell::plan {

// A hostile file may hold very many faults; what is beyond this is counted in one last fault.
inline constexpr std::size_t most_faults = 200;
inline constexpr int deepest_nesting = 16;
inline constexpr std::size_t most_plateaus = 1000;

struct LoadOptions {
  bool accept_overdue = false;  // use references past their due date; the plan names them
  std::string today;            // ISO date, "2026-11-25"; a reference due today may be used
  // What the driver registry knows.
  std::vector<std::string> scanner_drivers = {"scpi-scanner"};
  std::vector<std::string> source_drivers = {"scpi-source"};
};

// A plan, or at least one fault.
using LoadResult = std::variant<sequence::Plan, std::vector<Fault>>;
[[nodiscard]] LoadResult load(const InputFiles& files, const LoadOptions& options);

// The instruments of a bench by itself, or at least one fault. Of `files` only the bench and what it names are looked at.
struct BenchInstruments {
  std::vector<sequence::Scanner> scanners;
  std::vector<sequence::Source> sources;
  struct Wired {
    std::string scanner;
    int address = 0;
    Quantity measures = Quantity::resistance;
  };
  std::vector<Wired> channels;
};
using BenchResult = std::variant<BenchInstruments, std::vector<Fault>>;
[[nodiscard]] BenchResult load_bench(const InputFiles& files, const LoadOptions& options);

// One sensor card by itself, or at least one fault. What only a job asks of it (a due date, say) is not looked at.
using CardResult = std::variant<sequence::SensorCard, std::vector<Fault>>;
[[nodiscard]] CardResult load_card(const FileText& file);

}  // namespace nightwell::plan

// Which drivers there are, by name. One explicit list (drivers/registry.cpp); this room knows no driver.
#pragma once

#include <functional>
#include <map>
#include <memory>
#include <string>

#include "instrument/heat_source.hpp"
#include "instrument/scanner.hpp"

namespace nightwell::instrument {

// The driver of instruments that a dialect file describes.
inline constexpr const char* dialect_driver = "dialect";
// The driver of instruments that a program of their own speaks to.
inline constexpr const char* program_driver = "program";

// A factory gives an error (bad_input) where the settings' dialect is none for this role.
struct Registry {
  using MakeScanner = std::function<Result<std::unique_ptr<Scanner>>(asio::io_context&, ConnectionSettings)>;
  using MakeHeatSource = std::function<Result<std::unique_ptr<HeatSource>>(asio::io_context&, ConnectionSettings)>;
  std::map<std::string, MakeScanner> scanners;
  std::map<std::string, MakeHeatSource> sources;
  std::map<std::string, std::string> about;  // every driver in a line for people
  std::map<std::string, std::string> sends;  // what it puts on the line, where that is a fixed list
};

}  // namespace nightwell::instrument

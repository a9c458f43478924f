// The dialect files that a bench names: each read once, its faults told once.
#pragma once

#include <map>
#include <memory>
#include <optional>
#include <string>

#include "dialect/dialect.hpp"
#include "plan/input_files.hpp"
#include "plan/object_reader.hpp"

namespace nightwell::plan {

struct LoadedDialect {
  std::shared_ptr<const dialect::Dialect> value;
  std::string json;  // the file as compact JSON in ASCII
};

class DialectFiles {
 public:
  DialectFiles(const InputFiles& files, FaultList& faults) : files_(files), faults_(faults) {}

  // The file that stands at `place` under the path `path`; nullptr where it is unsound, which has been told by then.
  const LoadedDialect* load(const std::string& path, const Place& place);

 private:
  std::optional<LoadedDialect> read(const std::string& path, const Place& place);

  const InputFiles& files_;
  FaultList& faults_;
  std::map<std::string, std::optional<LoadedDialect>> loaded_;
};

}  // namespace nightwell::plan

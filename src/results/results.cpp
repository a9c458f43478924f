#include "results/results.hpp"

#include "results/collector.hpp"

namespace nightwell::results {

std::string_view name(Role role) {
  switch (role) {
    case Role::reference: return "reference";
    case Role::item: return "item";
    case Role::junction: return "junction";
  }
  return "";
}

std::string_view name(Direction direction) {
  switch (direction) {
    case Direction::up: return "up";
    case Direction::down: return "down";
    case Direction::unknown: return "";
  }
  return "";
}

Result<Results> compute(const std::filesystem::path& path) {
  Collector collector;
  const auto take = [&](const auto& record) { collector.take(record); };
  const auto verification = journal::read(path, take, take);
  if (!verification) return verification.error();
  auto results = std::move(collector).finish(*verification);
  if (results) return results;
  Error error = results.error();
  error.where = path.string();
  return error;
}

Result<Results> compute(std::span<const journal::Record> records, const journal::Verification& verification) {
  Collector collector;
  for (const auto& record : records) collector.take(record);
  return std::move(collector).finish(verification);
}

}  // namespace nightwell::results

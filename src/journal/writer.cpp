#include "journal/writer.hpp"

#include <nlohmann/json.hpp>

namespace nightwell::journal {

Result<Writer> Writer::create(const std::filesystem::path& path) {
  auto segment = Segment::create(path, real_file_system());
  if (!segment) return segment.error();
  return Writer(std::move(segment).value());
}

Result<std::uint64_t> Writer::append(std::string_view kind, const nlohmann::ordered_json& fields, const Stamp& stamp) {
  return write(composer_.compose(kind, fields, stamp));
}

Result<std::uint64_t> Writer::seal(const SigningKey* key) {
  return write(composer_.compose_seal(key));
}

Result<std::uint64_t> Writer::write(const Result<std::string_view>& line) {
  if (!line) return line.error();
  if (auto written = segment_.append(*line); !written) return written.error();
  composer_.accept();
  return composer_.count() - 1;
}

}  // namespace nightwell::journal

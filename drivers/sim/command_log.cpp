#include "drivers/sim/command_log.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cstdio>
#include <ctime>
#include <nlohmann/json.hpp>
#include <system_error>

namespace nightwell::sim {
namespace {

Result<Descriptor> open_fresh(const std::filesystem::path& file) {
  std::error_code ignored;
  std::filesystem::create_directories(file.parent_path(), ignored);
  Descriptor fd(::open(file.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_APPEND | O_CLOEXEC, 0644));
  if (fd) return fd;
  return Error{Errc::storage, "opening a log", std::generic_category().message(errno), file.string()};
}

bool write_all(int fd, std::string_view text) {
  while (!text.empty()) {
    const ssize_t done = ::write(fd, text.data(), text.size());
    if (done < 0 && errno == EINTR) continue;
    if (done <= 0) return false;
    text.remove_prefix(static_cast<std::size_t>(done));
  }
  return true;
}

std::string utc_now() {
  const auto since = std::chrono::system_clock::now().time_since_epoch();
  const auto microseconds = std::chrono::duration_cast<std::chrono::microseconds>(since).count();
  const std::time_t seconds = static_cast<std::time_t>(microseconds / 1000000);
  std::tm utc{};
  ::gmtime_r(&seconds, &utc);
  char text[80];
  std::snprintf(text, sizeof text, "%04d-%02d-%02dT%02d:%02d:%02d.%06dZ", utc.tm_year + 1900, utc.tm_mon + 1,
                utc.tm_mday, utc.tm_hour, utc.tm_min, utc.tm_sec, static_cast<int>(microseconds % 1000000));
  return text;
}

std::string fixed_seconds(double s) {
  const auto microseconds = static_cast<long long>(s * 1e6 + 0.5);
  char text[48];
  std::snprintf(text, sizeof text, "%lld.%06lld", microseconds / 1000000, microseconds % 1000000);
  return text;
}

// "-25" for -25.0: a key of the truth file.
std::string temperature_key(double t_c) {
  return nlohmann::json(t_c).dump();
}

nlohmann::ordered_json truth_of(const SensorConfig& sensor, const std::vector<double>& at_c) {
  nlohmann::ordered_json errors = nlohmann::ordered_json::object();
  for (double t_c : at_c) errors[temperature_key(t_c)] = sensor.error_k(t_c);
  nlohmann::ordered_json out;
  out["in"] = sensor.in.empty() ? nlohmann::ordered_json(nullptr) : nlohmann::ordered_json(sensor.in);
  out["position"] = sensor.at_reference ? "reference" : "item";
  out["offset_k"] = sensor.offset_k;
  out["slope_k_per_k"] = sensor.slope_k_per_k;
  out["errors_k"] = std::move(errors);
  return out;
}

}  // namespace

std::string printable(std::string_view bytes) {
  constexpr char digits[] = "0123456789abcdef";
  std::string out;
  for (char byte : bytes) {
    const auto c = static_cast<unsigned char>(byte);
    if (c >= ' ' && c <= '~' && c != '\\') {
      out += byte;
      continue;
    }
    out += "\\x";
    out += digits[c >> 4];
    out += digits[c & 15];
  }
  return out;
}

Result<void> CommandLog::open(const std::filesystem::path& file) {
  auto fd = open_fresh(file);
  if (!fd) return fd.error();
  file_ = std::move(fd.value());
  return {};
}

void CommandLog::write(const Exchange& exchange) const {
  if (!file_) return;
  const std::string line = fixed_seconds(exchange.received_s) + "\t" + utc_now() + "\t" + printable(exchange.line) +
                           "\t" + printable(exchange.reply) + "\t" + printable(exchange.remark) + "\n";
  write_all(file_.get(), line);
}

Result<void> write_truth(const Config& config, const std::filesystem::path& file) {
  nlohmann::ordered_json out;
  out["format"] = "nightwell-sim-truth/1";
  out["ambient_c"] = config.ambient_c;
  out["sources"] = nlohmann::ordered_json::object();
  for (const SourceConfig& source : config.sources)
    out["sources"][source.name] = {{"axial_k", source.plant.axial_k},
                                   {"axial_k_per_k", source.plant.axial_k_per_k},
                                   {"indication_offset_k", source.plant.indication_offset_k}};
  out["sensors"] = nlohmann::ordered_json::object();
  for (const SensorConfig& sensor : config.sensors) out["sensors"][sensor.name] = truth_of(sensor, config.truth_at_c);
  auto fd = open_fresh(file);
  if (!fd) return fd.error();
  if (write_all(fd.value().get(), out.dump(2) + "\n")) return {};
  return Error{Errc::storage, "writing the truth file", std::generic_category().message(errno), file.string()};
}

}  // namespace nightwell::sim

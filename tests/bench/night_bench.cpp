// What is done with the journal of a whole night of 2 million readings (long_night.hpp), and what it costs, as ratios to two
// floors measured on the same file, machine and minute: SHA-256 of the file in one piece (nothing that proves a journal can be
// cheaper), and parsing its lines with a general JSON library (what reading it would cost without code of its own).
//
//   make            sequencer on virtual time, records, journal: a rehearsal of the night
//   verify, read    journal/reader.hpp, read with a visitor that does nothing
//   results         from the file to every budget and verdict
//   page            the course of the night out of the file, and the page
//   data.csv        a line a reading, into memory
//   setup.json      the frozen plan
//   report          results, page, data.csv and setup.json: what `nightwell report` does before it writes files
//   monte carlo     every budget by Monte Carlo, adaptive to one digit, on one thread and on all
//
// Each alternates with its floors; the fastest of ROUNDS counts. `cpu` is the processor time of all threads together.
// Usage: night_bench [FOLDER [ROUNDS]]; the folder should be on a file system that takes no part of its own (tmpfs).

#include <openssl/evp.h>
#include <sys/resource.h>

#include <algorithm>
#include <charconv>
#include <chrono>
#include <cstdio>
#include <ctime>
#include <fstream>
#include <functional>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string>
#include <string_view>
#include <thread>
#include <vector>

#include "bench/long_night.hpp"
#include "journal/reader.hpp"
#include "report/data_csv.hpp"
#include "report/html.hpp"
#include "report/setup_json.hpp"
#include "results/course.hpp"
#include "results/monte_carlo.hpp"
#include "support/temporary_folder.hpp"

using namespace nightwell;

namespace {

struct Cost {
  double wall_s = 1e9, cpu_s = 1e9;
};

double cpu_now_s() {
  timespec now{};
  ::clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
  return static_cast<double>(now.tv_sec) + 1e-9 * static_cast<double>(now.tv_nsec);
}

template <class Work>
void measure(Cost& best, Work work) {
  const auto from = std::chrono::steady_clock::now();
  const double cpu_from_s = cpu_now_s();
  work();
  best.cpu_s = std::min(best.cpu_s, cpu_now_s() - cpu_from_s);
  best.wall_s = std::min(best.wall_s, std::chrono::duration<double>(std::chrono::steady_clock::now() - from).count());
}

[[noreturn]] void give_up(const Error& error) {
  std::fprintf(stderr, "%s\n", error.text().c_str());
  std::exit(1);
}

template <class T>
T value_of(Result<T> result) {
  if (!result) give_up(result.error());
  return std::move(result).value();
}

std::string bytes_of(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream out;
  out << file.rdbuf();
  return out.str();
}

void hash_whole(std::string_view bytes) {
  unsigned char digest[32];
  unsigned length = 0;
  EVP_Digest(bytes.data(), bytes.size(), digest, &length, EVP_sha256(), nullptr);
  if (length != 32) std::exit(1);
}

void parse_lines(std::string_view bytes) {
  std::size_t keys = 0;
  for (std::size_t stop = 0; !bytes.empty(); bytes.remove_prefix(stop + 1)) {
    stop = bytes.find('\n');
    keys += nlohmann::json::parse(bytes.substr(0, stop)).size();
  }
  if (keys == 0) std::exit(1);
}

std::string page_of(const std::filesystem::path& path, const results::Results& results) {
  return value_of(report::html(results, value_of(results::course(path, results))));
}

std::size_t data_bytes(const std::filesystem::path& path, const results::Results& results) {
  std::size_t bytes = 0;
  const auto done = report::write_data(path, results, [&](std::string_view text) {
    bytes += text.size();
    return Result<void>{};
  });
  if (!done) give_up(done.error());
  return bytes;
}

// Every budget, and how many trials that took.
std::size_t monte_carlo(const results::Results& results, unsigned threads) {
  std::size_t trials = 0;
  for (auto& check : results::monte_carlo_of_all(results, 1, 1, threads))
    trials += value_of(std::move(check)).found.trials;
  return trials;
}

struct Row {
  std::string name;
  Cost cost;
  std::function<void()> work;
};

}  // namespace

int main(int count, char** texts) {
  const tests::TemporaryFolder folder(count > 1 ? texts[1] : "/dev/shm");
  int rounds = 5;
  if (count > 2) std::from_chars(texts[2], texts[2] + std::char_traits<char>::length(texts[2]), rounds);
  const auto path = folder / "journal.ndjson";

  const auto plan = bench::long_night(bytes_of(NIGHTWELL_SOURCE_DIR "/demo/budget.json"));
  const auto probes = bench::long_night_bench(plan, 1);
  Cost make;
  tests::SimulatedRun run;
  measure(make, [&] { run = value_of(tests::simulate(plan, probes, path)); });
  const std::string bytes = bytes_of(path);
  const auto results = value_of(results::compute(path));
  std::size_t judged = 0;
  for (const auto& plateau : results.plateaus)
    for (const auto& item : plateau.items) judged += item.verdict.has_value() ? 1 : 0;

  std::size_t page_bytes = 0, csv_bytes = 0, setup_bytes = 0;
  const auto page = [&] { page_bytes = page_of(path, results).size(); };
  const auto data = [&] { csv_bytes = data_bytes(path, results); };
  const auto setup = [&] { setup_bytes = value_of(report::setup_json(path, results)).size(); };
  const auto compute = [&] { value_of(results::compute(path)); };
  Cost hash, parse;
  std::vector<Row> rows = {{"verify", {}, [&] { value_of(journal::verify(path)); }},
                           {"read", {}, [&] { value_of(journal::read(path, [](const journal::Record&) {})); }},
                           {"results", {}, compute},
                           {"page", {}, page},
                           {"data.csv", {}, data},
                           {"setup.json", {}, setup},
                           {"report", {}, [&] { compute(), page(), data(), setup(); }}};
  for (int round = 0; round < rounds; ++round) {
    for (auto& row : rows) {
      measure(hash, [&] { hash_whole(bytes); });
      measure(row.cost, row.work);
    }
    if (round < 2) measure(parse, [&] { parse_lines(bytes); });
  }

  const auto size = static_cast<double>(bytes.size());
  std::printf(
      "%.1f h, %llu sweeps, %llu readings, %zu verdicts, journal %.1f MB; page %.2f MB, data.csv %.1f MB, setup.json "
      "%.2f MB\n",
      to_seconds(run.length) / 3600, static_cast<unsigned long long>(run.sweeps),
      static_cast<unsigned long long>(run.readings), judged, size / 1e6, static_cast<double>(page_bytes) / 1e6,
      static_cast<double>(csv_bytes) / 1e6, static_cast<double>(setup_bytes) / 1e6);
  const auto print = [&](const std::string& name, const Cost& cost) {
    std::printf("%-22s %7.3f s %7.3f s cpu %8.1f MB/s %6.2f M readings/s %7.2f x hashing %6.2f x parsing\n",
                name.c_str(), cost.wall_s, cost.cpu_s, size / 1e6 / cost.cpu_s,
                static_cast<double>(run.readings) / 1e6 / cost.cpu_s, cost.cpu_s / hash.cpu_s,
                cost.cpu_s / parse.cpu_s);
  };
  print("hashing the file", hash);
  print("parsing its lines", parse);
  print("make", make);
  for (const auto& row : rows) print(row.name, row.cost);
  const unsigned cores = std::max(1U, std::thread::hardware_concurrency());
  for (const unsigned threads : {1U, cores}) {
    Cost cost;
    std::size_t trials = 0;
    for (int round = 0; round < 2; ++round) measure(cost, [&] { trials = monte_carlo(results, threads); });
    print("monte carlo, " + std::to_string(threads) + (threads == 1 ? " thread" : " threads"), cost);
    std::printf("    %zu trials in all, %.1f M a second and core\n", trials,
                static_cast<double>(trials) / 1e6 / cost.cpu_s);
  }
  rusage used{};
  ::getrusage(RUSAGE_SELF, &used);
  std::printf("at most %.0f MB of memory\n", static_cast<double>(used.ru_maxrss) / 1e3);
}

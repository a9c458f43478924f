#include "cli/watch_view.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "cli/look.hpp"
#include "cli/wording.hpp"

namespace nightwell::cli {
namespace {

using nlohmann::json;

constexpr std::size_t label_columns = 11;
constexpr std::size_t narrowest = 30;
constexpr std::size_t widest_cell = 38;  // one long reason must not cost all others their columns

// How readily a line gives way where the terminal is low: never, then detail, then extra first.
enum class Weight { needed, detail, extra };

struct Line {
  std::string text;
  Weight weight = Weight::needed;
};

// Collects lines under labels; knows how wide the page is.
class Page {
 public:
  explicit Page(std::size_t columns) : columns_(columns) {}

  [[nodiscard]] std::size_t room() const { return columns_ - label_columns; }

  // Chunks side by side, three spaces apart, on as many lines as they need. Empty chunks are left out.
  void row(std::string_view label, const std::vector<std::string>& chunks, Weight weight = Weight::needed) {
    std::string line;
    for (const std::string& chunk : chunks) {
      if (chunk.empty()) continue;
      if (!line.empty() && width(line) + 3 + width(chunk) > room()) {
        add(label, line, weight);
        label = "";
        line.clear();
      }
      line += (line.empty() ? "" : "   ") + chunk;
    }
    if (!line.empty()) add(label, line, weight);
  }

  // A sentence, broken between words.
  void sentence(std::string_view label, std::string_view text, Weight weight = Weight::needed) {
    std::string line;
    while (!text.empty()) {
      const std::size_t space = std::min(text.find(' '), text.size());
      const std::string_view word = text.substr(0, space);
      text.remove_prefix(std::min(space + 1, text.size()));
      if (word.empty()) continue;
      if (!line.empty() && width(line) + 1 + width(word) > room()) {
        add(label, line, weight);
        label = "";
        line.clear();
      }
      line += (line.empty() ? "" : " ") + std::string(word);
    }
    if (!line.empty()) add(label, line, weight);
  }

  void add(std::string_view label, std::string_view text, Weight weight = Weight::needed) {
    lines_.push_back({clip(padded(label, label_columns) + std::string(text), columns_), weight});
  }

  [[nodiscard]] std::vector<Line>& lines() { return lines_; }
  [[nodiscard]] std::size_t columns() const { return columns_; }

 private:
  std::size_t columns_;
  std::vector<Line> lines_;
};

std::string degrees(std::optional<double> t_c, int decimals) {
  return t_c ? fixed(*t_c, decimals) + " °C" : std::string("-");
}

std::string setpoint(std::optional<double> t_c) {
  return t_c ? shortest(*t_c) + " °C" : std::string("-");
}

// "plateau 3 of 6 at 15 °C on bath"
std::string place(const json& plateau) {
  if (!plateau.is_object()) return "";
  std::string out = "plateau";
  if (const auto number = number_at(plateau, "number")) out += " " + shortest(*number);
  if (const auto of = number_at(plateau, "of")) out += " of " + shortest(*of);
  if (const auto t_c = number_at(plateau, "setpoint_c")) out += " at " + setpoint(t_c);
  if (const auto source = text_at(plateau, "source"); !source.empty()) out += " on " + source;
  return out;
}

void write_head(Page& page, const json& status) {
  page.row("Run", {text_at(status, "run")});
  std::vector<std::string> names;
  for (const char* key : {"profile", "bench", "job"})
    if (const auto text = text_at(status, key); !text.empty()) names.push_back(std::string(key) + " " + text);
  page.row("", names, Weight::extra);

  const std::string state = raw_text_at(status, "state");
  std::string phase;
  const bool over = state == "finished" || state == "stopped";
  if (const auto s = number_at(status, "phase_s"); s && !over) phase = "for " + duration_text(*s);
  page.row("State", {words(state), place(at(status, "plateau")), phase});
  if (const auto why = text_at(status, "why"); !why.empty()) page.sentence("", why, Weight::detail);
}

// An estimate: seconds would pretend too much.
std::string minute_text(std::string_view label) {
  const std::string text = utc_text(label);
  return text.size() == 20 && text.back() == 'Z' ? text.substr(0, 16) + "Z" : text;
}

void write_night(Page& page, const json& status) {
  const bool over = !raw_text_at(status, "ending").empty();
  std::vector<std::string> times;
  if (const auto s = number_at(status, "up_s")) times.push_back((over ? "took " : "running ") + duration_text(*s));
  if (const auto s = number_at(status, "expected_left_s"); s && !over) times.push_back(duration_text(*s) + " to go");
  if (const auto utc = raw_text_at(status, "expected_finish_utc"); !utc.empty() && !over)
    times.push_back("finish about " + minute_text(utc));
  if (const auto speed = number_at(status, "speed"); speed && *speed != 1)
    times.push_back("clock runs " + shortest(*speed) + " times as fast");
  std::string_view label = "Night";
  if (const auto progress = number_at(status, "progress")) {
    const double part = std::clamp(*progress, 0.0, 1.0);
    // Rounded down: 100 % is said when all is done, not before.
    const std::string percent = std::to_string(static_cast<int>(std::floor(part * 100))) + " %";
    page.add(label, bar(part, std::min<std::size_t>(page.room() - 7, 100)) + "  " + percent);
    label = "";
  }
  page.row(label, times);
}

const char* park_proof(const json& status, const json& parked) {
  if (!flag_at(parked, "confirmed").value_or(false)) return "NOT CONFIRMED: go and see that the heat is off";
  if (flag_at(parked, "untouched").value_or(false))
    return "NOT SEEN: a source was never reached, so this run told it nothing; look whether it is off";
  if (list_at(status, "sources").empty()) return "this run had no heat source";
  return "every source was seen to be safe";
}

// What a person must know or do first.
void write_calls(Page& page, const json& status) {
  if (const auto text = text_at(status, "waiting_for"); !text.empty()) {
    page.sentence("ASKED", text);
    if (raw_text_at(status, "state") == "waiting")
      page.sentence("", "then say: nightwell ready " + text_at(status, "run"));
  }
  if (raw_text_at(status, "state") == "held") page.sentence("", "held by a person; to go on: nightwell resume");
  const json& parked = at(status, "parked");
  if (!parked.is_object()) return;
  page.sentence("PARKED", park_proof(status, parked));
  if (const auto cause = words(raw_text_at(parked, "cause")); !cause.empty()) page.sentence("", "cause: " + cause);
  page.sentence("", text_at(parked, "text"));
}

void write_reference(Page& page, const json& status) {
  const auto t_c = number_at(status, "reference_c");
  if (!t_c) return;
  std::string off, band, age;
  const json& plateau = at(status, "plateau");
  if (const auto target = number_at(plateau, "setpoint_c")) {
    const double difference = *t_c - *target;
    const auto limit = number_at(plateau, "band_k");
    off = fixed(std::abs(difference), 3) + " K " + (difference < 0 ? "below" : "above");
    if (limit)
      band = std::string(std::abs(difference) <= *limit ? "in" : "OUTSIDE") + " the band ±" + shortest(*limit) + " K";
  }
  if (const auto s = number_at(status, "reference_age_s")) age = "read " + duration_text(*s) + " ago";
  page.row("Reference", {degrees(t_c, 4), off, band, age});
}

std::string against_limit(const char* name, std::optional<double> value, std::optional<double> limit) {
  if (!value) return "";
  std::string out = std::string(name) + " " + fixed(*value, 4) + " K";
  if (!limit) return out;
  return out + (std::abs(*value) <= *limit ? ", within " : ", ABOVE ") + shortest(*limit);
}

std::string range(std::optional<double> lowest_c, std::optional<double> highest_c) {
  if (!lowest_c || !highest_c) return "";
  return "from " + fixed(*lowest_c, 4) + " to " + degrees(highest_c, 4);
}

void write_window(Page& page, const json& status) {
  const json& window = at(status, "window");
  if (!window.is_object()) return;
  const auto length = number_at(window, "length_s");
  const auto held = number_at(window, "held_s");
  std::vector<std::string> fill;
  if (length && held && *length > 0) {
    fill.push_back(bar(*held / *length, 22));
    fill.push_back(shortest(std::floor(std::min(*held, *length))) + " of " + shortest(*length) + " s");
  }
  if (const auto readings = number_at(window, "readings")) fill.push_back(shortest(*readings) + " readings");
  page.row("Window", fill);
  std::string mean, deviation;
  if (const auto t_c = number_at(window, "mean_c")) mean = "mean " + degrees(t_c, 4);
  if (const auto k = number_at(window, "deviation_k")) deviation = "deviation " + fixed(*k, 4) + " K";
  page.row("", {range(number_at(window, "minimum_c"), number_at(window, "maximum_c")), mean, deviation},
           Weight::detail);
  page.row("", {against_limit("drift", number_at(window, "drift_k"), number_at(window, "largest_drift_k")),
                against_limit("spread", number_at(window, "spread_k"), number_at(window, "largest_spread_k"))});
  const std::string holding = text_at(window, "holding");
  page.sentence("", holding.empty() ? "steady" : "not yet: " + holding);
}

void write_sweeps(Page& page, const json& status) {
  const json& sweeps = at(status, "sweeps");
  const auto done = number_at(sweeps, "done"), of = number_at(sweeps, "of");
  if (!done || !of || *of <= 0 || (*done <= 0 && raw_text_at(status, "state") != "capture")) return;
  page.row("Sweeps", {bar(*done / *of, 22), shortest(*done) + " of " + shortest(*of) + " done"});
}

void write_sources(Page& page, const json& status) {
  std::string_view label = "Sources";
  for (const json& source : list_at(status, "sources")) {
    const bool attended = flag_at(source, "attended").value_or(false);
    std::string target, reads, output, lease, age;
    if (const auto t_c = number_at(source, "target_c")) target = "to " + setpoint(t_c);
    if (const auto t_c = number_at(source, "temperature_c")) reads = "at " + degrees(t_c, 2);
    if (attended)
      output = "set by a person";
    else if (const auto on = flag_at(source, "output"))
      output = *on ? "output ON" : "output off";
    else
      output = "output UNKNOWN";
    if (const auto s = number_at(source, "lease_left_s"); s && *s > 0) lease = "lease " + duration_text(*s);
    if (const auto s = number_at(source, "age_s")) age = "read " + duration_text(*s) + " ago";
    const std::string parked = flag_at(source, "parked").value_or(false) ? "parked" : "";
    page.row(label, {text_at(source, "name"), target, reads, output, lease, parked, age});
    label = "";
  }
}

// Where the run is in its list of plateaus; the list's length where it is past them.
std::size_t current_plateau(const json& status) {
  const auto number = number_at(at(status, "plateau"), "number");
  if (number && *number >= 1) return static_cast<std::size_t>(*number) - 1;
  return list_at(status, "plateaus").size();
}

std::vector<std::string> plateau_cells(const json& status) {
  std::vector<std::string> cells;
  const std::size_t now = current_plateau(status);
  for (const json& plateau : list_at(status, "plateaus")) {
    const std::string outcome = raw_text_at(plateau, "outcome");
    std::string mark = "[ ]";
    if (outcome == "settled")
      mark = "[x]";
    else if (outcome == "skipped")
      mark = "[-]";
    else if (!outcome.empty())
      mark = "[!]";
    else if (cells.size() == now)
      mark = "[>]";
    std::string cell = mark + " " + setpoint(number_at(plateau, "setpoint_c"));
    if (!outcome.empty() && outcome != "settled") cell += " " + words(outcome);
    cells.push_back(std::move(cell));
  }
  return cells;
}

std::string channel_cell(const json& channel) {
  std::string out = text_at(channel, "name");
  if (const auto serial = text_at(channel, "serial"); !serial.empty()) out += " " + serial;
  if (!raw_text_at(channel, "left_out").empty()) return out + "  left out";
  if (const auto fault = words(raw_text_at(channel, "fault")); !fault.empty()) return out + "  " + fault;
  return out + "  " + degrees(number_at(channel, "t_c"), 3);
}

std::vector<std::string> item_cells(const json& status) {
  std::vector<std::string> cells;
  for (const json& channel : list_at(status, "channels"))
    if (raw_text_at(channel, "role") == "item") cells.push_back(channel_cell(channel));
  return cells;
}

// Why an item is no longer waited for: once a line, for it holds for the rest of the night.
void write_left_out(Page& page, const json& status) {
  std::string_view label = "Left out";
  for (const json& channel : list_at(status, "channels")) {
    const std::string why = text_at(channel, "left_out");
    if (why.empty()) continue;
    page.add(label, text_at(channel, "name") + " " + text_at(channel, "serial") + ": " + why, Weight::detail);
    label = "";
  }
}

void write_survey(Page& page, const json& status) {
  const json& survey = at(status, "survey");
  if (!survey.is_object()) return;
  const std::size_t count = list_at(survey, "findings").size();
  // What it found is known once it has read all.
  const bool whole = raw_text_at(status, "ending") == "finished";
  page.row("Survey", {!whole       ? "not finished"
                      : count == 0 ? "nothing found wrong"
                                   : std::to_string(count) + (count == 1 ? " finding" : " findings")});
}

// Cells in columns of equal width, in reading order.
struct Grid {
  std::vector<std::string> lines;
  std::size_t across = 1;
};

Grid grid(const std::vector<std::string>& cells, std::size_t room) {
  std::size_t widest = 1;
  for (const std::string& cell : cells) widest = std::max(widest, std::min({width(cell), widest_cell, room}));
  Grid out;
  out.across = std::max<std::size_t>(1, (room + 3) / (widest + 3));
  for (std::size_t i = 0; i < cells.size(); ++i) {
    if (i % out.across == 0)
      out.lines.emplace_back();
    else
      out.lines.back() += "   ";
    out.lines.back() += padded(clip(cells[i], widest), widest);
  }
  return out;
}

// At most `limit` lines of a list of `count` cells, those around the line `focus`, and how many cells are
// missing.
std::vector<std::string> cut(const Grid& list, std::size_t count, std::size_t limit, std::size_t focus) {
  if (list.lines.size() <= limit) return list.lines;
  if (limit == 0) return {};
  const std::size_t keep = std::max<std::size_t>(1, limit - 1);  // one line says what is missing, if there is room
  const std::size_t first = std::min(list.lines.size() - keep, focus > keep / 2 ? focus - keep / 2 : 0);
  const std::size_t shown_cells = std::min(count, (first + keep) * list.across) - first * list.across;
  const auto begin = list.lines.begin() + static_cast<std::ptrdiff_t>(first);
  std::vector<std::string> out(begin, begin + static_cast<std::ptrdiff_t>(keep));
  if (limit > 1) out.push_back("… " + std::to_string(count - shown_cells) + " more");
  return out;
}

void drop(std::vector<Line>& lines, Weight weight, std::size_t limit) {
  for (std::size_t i = lines.size(); i-- > 0 && lines.size() > limit;)
    if (lines[i].weight == weight) lines.erase(lines.begin() + static_cast<std::ptrdiff_t>(i));
}

struct Share {
  std::size_t plateaus = 0, items = 0;
};

// A low terminal: a third for the plateaus, the rest for the items, and what one does not need for the other.
Share share_out(std::size_t room, std::size_t plateaus, std::size_t items) {
  if (plateaus + items <= room) return {plateaus, items};
  const std::size_t first = std::min(plateaus, std::max<std::size_t>(1, room / 3));
  const std::size_t second = std::min(items, room > first ? room - first : 0);
  return {std::min(plateaus, room - second), second};
}

void write_list(Page& page, std::string_view label, const std::vector<std::string>& lines) {
  for (const std::string& line : lines) {
    page.add(label, line);
    label = "";
  }
}

std::string joined(const std::vector<Line>& lines, int columns) {
  std::string out;
  for (const Line& line : lines) {
    std::string text = clip(line.text, static_cast<std::size_t>(std::max(columns, 1)));
    text.erase(text.find_last_not_of(' ') + 1);
    out += (&line == lines.data() ? "" : "\n") + text;
  }
  return out;
}

}  // namespace

std::string bar(double fraction, std::size_t columns) {
  const std::size_t cells = columns > 2 ? columns - 2 : 1;
  const double part = std::isfinite(fraction) ? std::clamp(fraction, 0.0, 1.0) : 0.0;
  const auto full = static_cast<std::size_t>(std::floor(part * static_cast<double>(cells)));
  std::string out = "[";
  for (std::size_t i = 0; i < cells; ++i) out += i < full ? "█" : "░";
  return out + "]";
}

std::string render(const json& status, int columns, int rows) {
  Page page(std::max(narrowest, static_cast<std::size_t>(std::max(columns, 0))));
  write_head(page, status);
  write_calls(page, status);
  write_night(page, status);
  write_reference(page, status);
  write_window(page, status);
  write_sweeps(page, status);
  write_sources(page, status);
  write_left_out(page, status);
  write_survey(page, status);

  const auto plateau_list = plateau_cells(status);
  const auto item_list = item_cells(status);
  const Grid plateaus = grid(plateau_list, page.room());
  const Grid items = grid(item_list, page.room());
  if (rows <= 0) {
    write_list(page, "Plateaus", plateaus.lines);
    write_list(page, "Items", items.lines);
    return joined(page.lines(), columns);
  }

  const std::size_t limit = static_cast<std::size_t>(rows) - 1;  // the last line is the hint
  const std::size_t lists = (plateau_list.empty() ? 0U : 1U) + (item_list.empty() ? 0U : 1U);
  const std::size_t comfort = std::min<std::size_t>(plateaus.lines.size() + items.lines.size(), 6);
  drop(page.lines(), Weight::extra, limit > comfort ? limit - comfort : 0);
  drop(page.lines(), Weight::detail, limit > lists ? limit - lists : 0);
  if (page.lines().size() > limit) page.lines().resize(limit);
  const Share share = share_out(limit - page.lines().size(), plateaus.lines.size(), items.lines.size());
  const std::size_t now = current_plateau(status) / plateaus.across;
  write_list(page, "Plateaus", cut(plateaus, plateau_list.size(), share.plateaus, now));
  write_list(page, "Items", cut(items, item_list.size(), share.items, 0));
  if (page.lines().size() > limit) page.lines().resize(limit);
  page.lines().push_back({clip("Ctrl-C closes this view; the run goes on.", page.columns()), Weight::needed});
  return joined(page.lines(), columns);
}

}  // namespace nightwell::cli

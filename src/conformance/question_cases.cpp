// The cases of questions, and of what must not be sent.
#include <algorithm>
#include <array>
#include <cmath>

#include "conformance/session.hpp"
#include "journal/wording.hpp"
#include "nightwell/instrument/scpi.hpp"

namespace nightwell::conformance {

namespace {

constexpr std::array spoils = {Spoil::silent, Spoil::garbage,      Spoil::cut_short, Spoil::split,  Spoil::late,
                               Spoil::twice,  Spoil::old_in_front, Spoil::echo,      Spoil::looped, Spoil::unplugged};
constexpr int late_in_a_row = 4;
constexpr Duration unasked_look{500'000};

using Said = Session::Said;

// Two questions whose good answers no one could take for each other's; the second is null where there are none.
struct Pair {
  Question* first = nullptr;
  Question* second = nullptr;
};

Pair distinct_pair(std::vector<Question>& questions) {
  for (Question& one : questions)
    for (Question& other : questions)
      if (&one != &other && !one.good.empty() && !other.good.empty() && !one.could_be(other.good.back()) &&
          !other.could_be(one.good.back()))
        return {&one, &other};
  return {questions.empty() ? nullptr : &questions.front(), nullptr};
}

std::string quoted(const std::string& text) {
  return "\"" + instrument::printable(text) + "\"";
}

// Empty: an error that says something, or a value that the question may have now. Otherwise what is wrong.
std::string wrong_in(const Called<double>& called, const Question& question) {
  if (!called.result) return called.trouble;
  if (called.ok())
    return question.could_be(**called.result) ? ""
                                              : "gave " + told(called) + " as the answer to " + question.name +
                                                    ", which is " + journal::shortest(question.good.back());
  if (is_typed(called.result->error().code)) return "";
  return "gave up with " + told(called) + ": " + called.result->error().text();
}

Said identify_case(Session& session, const std::string& wanted) {
  const auto first = session.identify();
  if (!first.ok()) return failed(first.result ? first.result->error().text() : first.trouble);
  const auto second = session.identify();
  if (!second.ok())
    return failed("the second time: " + (second.result ? second.result->error().text() : second.trouble));
  const std::string& text = (**first.result).text;
  session.findings().identity = text;
  if (text.empty()) return failed("the identity is empty");
  if (text != (**second.result).text) return failed(quoted(text) + ", then " + quoted((**second.result).text));
  if (!wanted.empty() && text.find(wanted) == std::string::npos)
    return failed(quoted(text) + " does not hold " + quoted(wanted) + ", yet it was taken");
  return passed(quoted(text) + ", twice the same");
}

// The sensor, in the instrument's own words: nothing is wrong with the driver.
bool speaks_of_the_sensor(Errc code) {
  return code == Errc::open_sensor || code == Errc::overload || code == Errc::out_of_range;
}

Said plain_case(Session& session, Question& question) {
  for (int i = 0; i < 2; ++i)
    if (!session.learn(question)) {
      const auto again = session.call(question.ask());
      if (again.result && !again.ok() && speaks_of_the_sensor(again.result->error().code))
        return failed("no value to compare with: " + again.result->error().text() +
                      "; the driver may be right: name channels (--channels) that have a sensor");
      return failed("no answer on a line without faults: " +
                    (again.result && !again.ok() ? again.result->error().text() : told(again)));
    }
  return passed(journal::shortest(question.good.front()) + ", then " + journal::shortest(question.good.back()));
}

// After a spoiled reply: other calls, and the same one again.
std::string wrong_after(Session& session, const Pair& pair, const Called<double>& spoiled) {
  if (pair.second != nullptr) {
    const auto next = session.ask_until_answered(*pair.second);
    if (const std::string wrong = wrong_in(next, *pair.second); !wrong.empty()) return "the next call " + wrong;
    if (!next.ok()) return "the next calls gave no value either: " + told(next);
  }
  const auto again = session.ask_until_answered(*pair.first);
  if (!again.ok()) return "it never worked again: " + told(again);
  // A slow change is no fault: what was said must lie near what is said now or was said before.
  pair.first->good.push_back(**again.result);
  const std::string wrong = spoiled.ok() ? wrong_in(spoiled, *pair.first) : "";
  pair.first->good.erase(pair.first->good.begin());
  return wrong;
}

Said spoiled_case(Session& session, const Pair& pair, Spoil spoil) {
  // Asked right before, so that an old reply is another question's.
  if (pair.second != nullptr && !session.ask_until_answered(*pair.second).ok())
    return failed("the line did not recover");
  session.line().spoil(spoil, 1);
  if (spoil == Spoil::looped) session.line().spoil(spoil, 0);
  const auto called = session.call(pair.first->ask());
  session.line().clear();
  if (!called.ok())
    if (const std::string wrong = wrong_in(called, *pair.first); !wrong.empty()) return failed(wrong);
  if (called.ok() && spoil == Spoil::looped) return failed("gave " + told(called) + ", which no instrument had said");
  if (!called.ok() && spoil == Spoil::split)
    return failed("pieces within the deadline are a whole reply, but: " + told(called));
  if (const std::string wrong = wrong_after(session, pair, called); !wrong.empty()) return failed(wrong);
  return passed((called.ok() ? "the right value, " : "") + told(called) + "; then right again");
}

Said late_row_case(Session& session, const Pair& pair) {
  if (pair.second == nullptr)
    return skipped(
        "all answers are within a thousandth of each other: one taken for another would not show (a scanner: name "
        "--channels whose sensors read differently)");
  session.line().spoil(Spoil::late, late_in_a_row);
  std::string story;
  for (int i = 0; i < late_in_a_row; ++i) {
    Question& question = i % 2 == 0 ? *pair.first : *pair.second;
    const auto called = session.call(question.ask());
    if (const std::string wrong = wrong_in(called, question); !wrong.empty()) return failed(wrong);
    story += (i == 0 ? "" : ", ") + told(called);
  }
  session.line().clear();
  if (const std::string wrong = wrong_after(session, pair, Called<double>()); !wrong.empty()) return failed(wrong);
  return passed(story + "; then right again");
}

Said silent_case(Session& session, const Pair& pair) {
  session.line().spoil(Spoil::silent, 0);
  for (int i = 0; i < 2; ++i) {
    const auto called = session.call(pair.first->ask());
    if (called.ok()) return failed("gave " + told(called) + " though nothing was heard");
    if (const std::string wrong = wrong_in(called, *pair.first); !wrong.empty()) return failed(wrong);
  }
  const auto identity = session.identify();
  if (identity.ok()) return failed("gave an identity though nothing was heard");
  if (!identity.result) return failed(identity.trouble);
  session.line().clear();
  if (const std::string wrong = wrong_after(session, pair, Called<double>()); !wrong.empty()) return failed(wrong);
  return passed(told(identity) + " each time; then right again");
}

Said spoiled_identity_case(Session& session, Spoil spoil) {
  session.close();
  session.line().spoil(spoil, 1);
  const auto called = session.identify();
  session.line().clear();
  if (!called.result) return failed(called.trouble);
  if (called.ok() && (**called.result).text != session.findings().identity)
    return failed("took " + quoted((**called.result).text) + " for the identity");
  if (!called.ok() && !is_typed(called.result->error().code)) return failed(called.result->error().text());
  if (spoil == Spoil::unplugged) session.wait(2 * away);  // it is not back before
  const auto again = session.identify();
  if (!again.ok() || (**again.result).text != session.findings().identity)
    return failed("it did not identify again: " + told(again));
  return passed(told(called) + "; then the same identity again");
}

// Says that the call was wrong, not that something else went wrong with it: the line has nothing to do with it.
bool refuses_outright(Errc code) {
  return code == Errc::bad_input || code == Errc::refused || code == Errc::out_of_range;
}

// The first that was sent and is no question, or no "off", that it had sent before.
std::string unasked(const Messages& sent, const Messages& before, const Messages& heat) {
  const auto holds = [](const Messages& list, const std::string& message) {
    return std::find(list.begin(), list.end(), message) != list.end();
  };
  for (const std::string& message : sent)
    if (!holds(before, message) || holds(heat, message)) return message;
  return "";
}

}  // namespace

void check_questions(Session& session, std::vector<Question>& questions, const std::string& identity) {
  session.run("identity", "unspoiled", [&] { return identify_case(session, identity); });
  if (session.findings().identity.empty()) return session.end("it did not identify, so nothing else was tried");
  for (Question& question : questions)
    session.run(question.name, "unspoiled", [&] { return plain_case(session, question); });
  const Pair pair = distinct_pair(questions);
  if (pair.first == nullptr || pair.first->good.empty())
    return session.end("it answered no question on a line without faults, so nothing else was tried");
  for (const Spoil spoil : spoils)
    session.run(pair.first->name, name(spoil), [&] { return spoiled_case(session, pair, spoil); });
  session.run(pair.first->name, "four replies in a row late", [&] { return late_row_case(session, pair); });
  session.run(pair.first->name, "the instrument falls silent", [&] { return silent_case(session, pair); });
  for (const Spoil spoil : {Spoil::garbage, Spoil::cut_short, Spoil::late, Spoil::unplugged})
    session.run("identity", name(spoil), [&] { return spoiled_identity_case(session, spoil); });
}

void check_refusals(
    Session& session, const std::string& subject,
    const std::vector<std::pair<std::string, std::function<asio::awaitable<Result<void>>()>>>& attempts) {
  for (const auto& [what, attempt] : attempts)
    session.run(subject, what, [&]() -> Said {
      (void)session.identify();  // in step, so that nothing else is due on the line
      session.line().dam(true);
      const std::size_t mark = session.line().mark();
      const auto called = session.call(attempt());
      if (const Messages sent = session.sent_since(mark); !sent.empty())
        return failed("sent " + quoted(sent.front()) + " (held back by the check)");
      if (called.ok()) return failed("said \"done\" and sent nothing");
      if (!called.result) return failed(called.trouble);
      const Error& error = called.result->error();
      if (!refuses_outright(error.code)) return failed("took it for trouble with the line: " + error.text());
      return passed(std::string(name(error.code)) + ", and no byte was sent");
    });
}

void check_silence(Session& session) {
  session.run("between calls and once closed", "nobody asks anything", [&]() -> Said {
    const Messages before = session.sent_since(0);
    std::size_t mark = session.line().mark();
    session.wait(unasked_look);
    if (const std::string message = unasked(session.sent_since(mark), before, session.heat()); !message.empty())
      return failed("sent " + quoted(message) + " unasked");
    session.close();
    mark = session.line().mark();
    session.wait(unasked_look);
    // A driver's program may switch off and prove it when it is let go.
    if (const std::string message = unasked(session.sent_since(mark), before, session.heat()); !message.empty())
      return failed("sent " + quoted(message) + " after it was closed");
    return passed("nothing was sent but what it had asked before");
  });
}

}  // namespace nightwell::conformance

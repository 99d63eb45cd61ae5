// C++ with exceptions, run-time type information, static objects, containers and virtual functions.
#include <algorithm>
#include <exception>
#include <memory>
#include <stdexcept>
#include <string>
#include <vector>

#include "board.h"

extern "C" void doorbell_handler(void)
{
    for (;;) {
    }
}

namespace {

void say(const std::string &text)
{
    put_text(NAME);
    put_text(text.c_str());
    put_text("\n");
}

struct Trace {
    explicit Trace(char letter) : letter_(letter) { letters += letter; }
    Trace(const Trace &) = delete;
    Trace &operator=(const Trace &) = delete;
    ~Trace() { letters += static_cast<char>(letter_ - 'A' + 'a'); }
    static std::string letters;

  private:
    char letter_;
};
std::string Trace::letters = "=";

struct Gauge {
    virtual ~Gauge() = default;
    virtual unsigned level() const = 0;
};
struct Fixed : Gauge {
    unsigned level() const override { return 1182; }
};
struct Broken : Gauge {
    unsigned level() const override { throw std::runtime_error("gauge is broken"); }
};
struct Dry : std::exception {
    const char *what() const noexcept override { return "no water"; }
};

unsigned deep(unsigned depth, unsigned until)
{
    Trace trace(static_cast<char>('A' + depth));

    if (depth == until) {
        if (until % 2 == 0) {
            throw Dry();
        }
        throw static_cast<int>(until);
    }
    return deep(depth + 1, until) + 1;
}

struct Started {
    Started() { at_start = 0x5A5A; }
    unsigned at_start;
};
Started started;

const std::vector<unsigned> &samples()
{
    static const std::vector<unsigned> once = { 5, 3, 9, 1, 7 };
    return once;
}

} // namespace

int main()
{
#ifdef STATION
    release_sampler();
#endif
    say("up");
    say(started.at_start == 0x5A5A ? "static objects are made" : "static objects are missing");
    for (unsigned until = 2; until < 6; until++) {
        Trace::letters = "=";
        try {
            deep(0, until);
            say("never");
        } catch (const std::exception &error) {
            say(std::string(error.what()) + " " + Trace::letters);
        } catch (int number) {
            say("number " + std::to_string(number) + " " + Trace::letters);
        }
    }
    std::vector<std::unique_ptr<Gauge>> gauges;
    gauges.push_back(std::make_unique<Fixed>());
    gauges.push_back(std::make_unique<Broken>());
    for (const auto &gauge : gauges) {
        try {
            say(std::to_string(gauge->level()) + (dynamic_cast<Fixed *>(gauge.get()) ? " fixed" : " other"));
        } catch (const std::runtime_error &error) {
            say(error.what());
        }
    }
    auto sorted = samples();
    std::sort(sorted.begin(), sorted.end());
    std::string line;
    for (unsigned value : sorted) {
        line += std::to_string(value) + ",";
    }
    say(line);
    try {
        try {
            (void)sorted.at(99);
        } catch (const std::out_of_range &) {
            say("out of range");
            throw;
        }
    } catch (const std::exception &) {
        say("and again");
    }
    say("done");
    for (;;) {
        __asm volatile("wfi");
    }
}

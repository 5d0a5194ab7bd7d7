// Load signal to text lines on the serial port, for [load] source = "serial".
//
//   103.025132,20480*09      board's time in s, sum of READINGS conversions, exclusive or of what stands before the star
//   103.025132,edge*34       the same for an edge on EDGE_PIN, where SEND_EDGES is set
//   #?                       once a second: this board sends lines that begin with ? back (latency of the wire)
//
// Any board with the Arduino core, an analog input and at least 20 kB of flash. No library is needed.
#include <Arduino.h>
#include <stdint.h>
#include <stdio.h>

const int SIGNAL_PIN = A0;         // behind the divider of ../wiring.md
const int EDGE_PIN = 2;            // behind an optocoupler, with interrupt
const bool SEND_EDGES = false;     // true: edges in place of samples
const uint32_t PERIOD_US = 4000;   // 250 samples a second: 24 bytes each fill half of a 115200 baud line
const uint8_t READINGS = 8;        // conversions a sample; 10-bit converters gain two bits from the noise
const uint32_t BAUD = 115200;

const uint8_t EDGES = 8;           // edges that may wait for the main loop
volatile uint32_t edge_us[EDGES];
volatile uint8_t edges_in = 0;
uint8_t edges_out = 0;
uint32_t next_us = 0, offer_us = 0;
char question[48];
uint8_t question_length = 0;

// micros() wraps after 71.6 minutes; called at least once in that time, this does not.
uint64_t now_us() {
  static uint32_t last = 0, wraps = 0;
  uint32_t t = micros();
  if (t < last) wraps++;
  last = t;
  return ((uint64_t)wraps << 32) | t;
}

void on_edge() {
  edge_us[edges_in % EDGES] = micros();
  edges_in++;
}

void send_line(uint64_t time_us, const char *what) {
  char line[48];
  int n = snprintf(line, sizeof line, "%lu.%06lu,%s", (unsigned long)(time_us / 1000000), (unsigned long)(time_us % 1000000), what);
  uint8_t check = 0;
  for (int i = 0; i < n; i++) check ^= (uint8_t)line[i];
  snprintf(line + n, sizeof line - n, "*%02X", check);
  Serial.println(line);
}

void send_sample() {
  uint64_t begin = now_us();
  uint32_t sum = 0;
  for (uint8_t i = 0; i < READINGS; i++) sum += analogRead(SIGNAL_PIN);
  uint64_t end = now_us();
  char number[12];
  snprintf(number, sizeof number, "%lu", (unsigned long)sum);
  send_line(begin + (end - begin) / 2, number);
}

void send_edges() {
  while (edges_out != edges_in) {
    uint64_t now = now_us();
    uint32_t ago = (uint32_t)now - edge_us[edges_out % EDGES];
    edges_out++;
    send_line(now - ago, "edge");
  }
}

// A line that begins with ? goes back as it is.
void answer() {
  while (Serial.available() > 0) {
    char c = (char)Serial.read();
    if (c == '\n') {
      question[question_length] = 0;
      if (question[0] == '?') Serial.println(question);
      question_length = 0;
    } else if (c != '\r' && question_length < sizeof question - 1) {
      question[question_length++] = c;
    }
  }
}

void setup() {
  Serial.begin(BAUD);
  pinMode(EDGE_PIN, INPUT_PULLUP);
  if (SEND_EDGES) attachInterrupt(digitalPinToInterrupt(EDGE_PIN), on_edge, FALLING);
  next_us = offer_us = micros();
}

void loop() {
  answer();
  uint32_t now = (uint32_t)now_us();
  if (SEND_EDGES) {
    send_edges();
  } else if ((int32_t)(now - next_us) >= 0) {
    next_us += PERIOD_US;
    if ((int32_t)(now - next_us) > (int32_t)PERIOD_US) next_us = now + PERIOD_US;  // after a hold-up: no burst
    send_sample();
  }
  if ((int32_t)(now - offer_us) >= 0) {
    offer_us += 1000000;
    Serial.println("#?");
  }
}

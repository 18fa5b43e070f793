package scpi_test

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"net"
	"strings"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

// serveUnreliably answers questions on one connection, those of ":ECHO?" badly.
func serveUnreliably(conn net.Conn, random *rand.Rand, late *string) {
	defer conn.Close()
	r := bufio.NewReader(conn)
	for {
		line, err := scpi.ReadMessage(r, 1000)
		if err != nil {
			return
		}
		units, err := scpi.ParseMessage(line)
		if err != nil {
			return
		}
		answer, keep := answerUnits(units, random, late)
		if _, err := conn.Write([]byte(answer)); err != nil || !keep {
			return
		}
	}
}

// answerUnits returns the bytes to send and whether to keep the connection.
func answerUnits(units []scpi.Unit, random *rand.Rand, late *string) (string, bool) {
	var answers []string
	ese := ""
	for _, u := range units {
		switch u.Header {
		case ":ECHO":
			return unreliably(string(u.Params[0]), random, late)
		case "*ESE":
			if u.Query {
				answers = append(answers, ese)
			} else {
				ese = string(u.Params[0])
			}
		case "*ESR":
			answers = append(answers, "0")
		case "*IDN":
			answers = append(answers, Identity)
		case "*OPC":
			answers = append(answers, "1")
		case ":SYST:ERR":
			answers = append(answers, NoError)
		}
	}
	out := *late
	*late = ""
	if len(answers) > 0 {
		out += strings.Join(answers, ";") + "\n"
	}
	return out, true
}

func unreliably(answer string, random *rand.Rand, late *string) (string, bool) {
	switch random.IntN(7) {
	case 0:
		*late = answer + "\n" // after the next message
		return "", true
	case 1:
		return answer + "\n" + answer + "\n", true
	case 2:
		return answer[:2], true // and never the rest
	case 3:
		*late = answer[2:] + "\r\n"
		return answer[:2], true
	case 4:
		return answer + "\n", false
	case 5:
		return fmt.Sprintf("#3100%s\n", answer), true // most of a block is missing
	}
	return answer + "\n", true
}
